"""`lobedesk report`: how far the desk can be trusted."""

from __future__ import annotations

from pathlib import Path

import click

from service.settings import Settings


@click.command()
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Also draw it into this file.")
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
@click.pass_obj
def report(settings: Settings, svg: Path | None, as_json: bool) -> None:
    """How far the desk can be trusted, from the cases whose truth came out."""
    import orjson

    from service.documents.truth_plot import draw_truth
    from service.documents.truth_text import truth_text
    from service.serving.reached import command_stores
    from service.web.api.reports.shown import truth_report_json
    from service.workflows.learning.report import report_on_truth

    with command_stores(settings) as stores, stores.transaction() as transaction:
        found = report_on_truth(transaction)
    if svg is not None:
        svg.write_text(draw_truth(found), encoding="utf-8")
    shown = (
        orjson.dumps(truth_report_json(found), option=orjson.OPT_INDENT_2).decode() if as_json else truth_text(found)
    )
    click.echo(shown)
