"""`lobedesk catalogue faults` and `page`: what confirmed shafts say of the catalogue, and its pages to print."""

from __future__ import annotations

from pathlib import Path

import click

from service.settings import Settings


@click.command()
@click.option("--unit", type=click.Choice(["in", "mm"]), default="in", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Every nominal a shaft speaks of, not only the odd ones.")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")
@click.pass_obj
def faults(settings: Settings, unit: str, everything: bool, as_json: bool) -> None:
    """Name printed sizes from which confirmed shafts all differ in the same direction."""
    import orjson

    from service.documents.catalogue_fault_text import catalogue_fault_text
    from service.domain.units import LengthUnit
    from service.serving.reached import command_stores
    from service.web.api.catalogue.faults import faults_json
    from service.workflows.catalogue_faults import report_on_faults

    with command_stores(settings) as stores:
        found = report_on_faults(stores)
    if as_json:
        click.echo(orjson.dumps(faults_json(found, LengthUnit(unit)), option=orjson.OPT_INDENT_2).decode())
    else:
        click.echo(catalogue_fault_text(found.report, found.references, LengthUnit(unit), everything=everything))


@click.command()
@click.argument("core")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_obj
def page(settings: Settings, core: str, target: Path) -> None:
    """Write the page of one CORE to print, as PDF, to TARGET."""
    from service.serving.reached import command_stores
    from service.workflows.catalogue_pages import page_of_core

    with command_stores(settings) as stores:
        revision, pdf = page_of_core(stores, core)
    target.write_bytes(pdf)
    click.echo(f"core {core} of revision {revision}, written to {target}")
