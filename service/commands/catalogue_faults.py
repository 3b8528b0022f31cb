"""`lobedesk catalogue faults`: what confirmed shafts say of the catalogue."""

from __future__ import annotations

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
    from service.workflows.learning.catalogue_faults import report_on_faults

    with command_stores(settings) as stores:
        found = report_on_faults(stores)
    if as_json:
        click.echo(orjson.dumps(faults_json(found, LengthUnit(unit)), option=orjson.OPT_INDENT_2).decode())
    else:
        click.echo(catalogue_fault_text(found.report, found.references, LengthUnit(unit), everything=everything))
