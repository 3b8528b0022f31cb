"""`lobedesk catalogue ...`: what is done with the catalogue at the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from service.commands.catalogue_faults import faults
from service.commands.terminal import who
from service.domain.errors import Fault
from service.serving.collecting import collect_seldom
from service.settings import Settings
from service.workflows.ports.reidentification import Said

_PAIRS_SHOWN = 10
_DOUBTS_SHOWN = 50
_AT_ONCE = 100


@click.group()
def catalogue() -> None:
    """The catalogue."""
    collect_seldom()


catalogue.add_command(faults)


@catalogue.command("import")
@click.argument("source", type=click.Path(path_type=Path, exists=True))
@click.option("--dry-run", is_flag=True, help="Check and report, by the code's own constants; change nothing.")
@click.option("--why", default="imported at the terminal", help="Why, for the record.")
@click.option(
    "--corrected",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write the sheets into this folder as they should be, so far as that needs no guess; whether taken or not.",
)
@click.option(
    "--summary",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --dry-run: what publishing would do to the active revision, as .html (with drawings), .json or .txt.",
)
@click.pass_obj
def import_(
    settings: Settings, source: Path, dry_run: bool, why: str, corrected: Path | None, summary: Path | None
) -> None:
    """Make SOURCE the active catalogue, all of it or nothing; where nothing differs from it, say so and make none.

    SOURCE is a JSON file, an .xlsx workbook with sheets cores and parts and perhaps lift_tables, or a folder with
    cores.csv, parts.csv and perhaps lift_tables.csv.
    """
    from service.adapters.catalogue_source import check_source, write_corrected
    from service.commands.draft_summary import write_summary
    from service.serving.reached import command_stores
    from service.workflows.catalogue.import_catalogue import import_catalogue, report_on

    if summary is not None and not dry_run:
        raise click.UsageError("--summary goes with --dry-run: it is read before anything is published.")
    with _progress("reading") as told:
        checked = check_source(source, told)
    for remark in checked.remarks:
        click.echo(f"note: {remark}")
    if corrected is not None:
        for path in write_corrected(checked, corrected):
            click.echo(f"written as it should be: {path}")
    read = checked.taken()
    _tell_doubts(checked.doubts)
    if dry_run:
        report = report_on(read)
        if summary is not None:
            write_summary(settings, checked, summary)
    else:
        del checked  # its sheets, which are a part of what a large import takes
        with command_stores(settings) as stores, _progress("storing") as told:
            report = import_catalogue(stores, read, who=who(), why=why, told=told)
    click.echo(f"{report.cores} cores, {report.parts} parts, {report.lift_tables} lift tables")
    click.echo(f"{len(report.look_alikes)} pairs that a caliper cannot tell apart")
    for pair in report.look_alikes[:_PAIRS_SHOWN]:
        click.echo(f"  {pair.part_number} and {pair.other}: told apart by {pair.separated_by.replace('_', ' ')}")
    if len(report.look_alikes) > _PAIRS_SHOWN:
        click.echo(f"  and {len(report.look_alikes) - _PAIRS_SHOWN} more")
    if report.made:
        click.echo(f"active revision: {report.revision}")
    elif report.revision is None:
        click.echo("nothing was changed")
    else:
        click.echo(f"nothing differs from the active revision, {report.revision}: no new one was made")


@catalogue.command("export")
@click.argument("target", type=click.Path(path_type=Path))
@click.pass_obj
def export(settings: Settings, target: Path) -> None:
    """Write the active catalogue to TARGET: a .json file, or a folder for cores.csv, parts.csv and lift_tables.csv.

    What is written can be imported again and is the same catalogue; the same revision gives the same bytes.
    """
    from service.catalogue_files.written import written_csv, written_json
    from service.serving.reached import command_stores
    from service.workflows.catalogue.revisions import active_catalogue

    with command_stores(settings) as stores:
        revision, whole = active_catalogue(stores)
    if target.suffix.lower() == ".json":
        target.write_bytes(written_json(whole))
    else:
        sheets = written_csv(whole)
        target.mkdir(parents=True, exist_ok=True)
        for name, text in sheets.items():
            (target / name).write_text(text, encoding="utf-8", newline="")
    click.echo(f"revision {revision}: {len(whole.cores)} cores, {len(whole.parts)} parts, written to {target}")


@catalogue.command("page")
@click.argument("core")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_obj
def page(settings: Settings, core: str, target: Path) -> None:
    """Write the page of one CORE to print, as PDF, to TARGET."""
    from service.serving.reached import command_stores
    from service.workflows.catalogue.catalogue_pages import page_of_core
    from service.workflows.catalogue.read_catalogue import active_number

    with command_stores(settings) as stores:
        revision = active_number(stores)
        pdf = page_of_core(stores, revision, core)
    target.write_bytes(pdf)
    click.echo(f"core {core} of revision {revision}, written to {target}")


@catalogue.command("diff")
@click.argument("start", type=click.IntRange(1))
@click.argument("end", type=click.IntRange(1))
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
@click.pass_obj
def diff(settings: Settings, start: int, end: int, as_json: bool) -> None:
    """Say what became of the catalogue from revision START to revision END."""
    import orjson

    from service.serving.reached import command_stores
    from service.web.api.catalogue.shown import difference_json
    from service.workflows.catalogue.revisions import compare_revisions

    with command_stores(settings) as stores:
        changes = compare_revisions(stores, start, end)
    if as_json:
        shown = difference_json(start, end, changes, most=len(changes))
        click.echo(orjson.dumps(shown, option=orjson.OPT_INDENT_2).decode())
        return
    for change in changes:
        click.echo(change.words)
    click.echo(f"{len(changes)} changes from revision {start} to revision {end}")


@catalogue.command("restore")
@click.argument("revision", type=click.IntRange(1))
@click.option("--why", default="", help="Why, for the record.")
@click.pass_obj
def restore(settings: Settings, revision: int, why: str) -> None:
    """Go back to an older REVISION: what it holds becomes a new revision, and that the active one."""
    from service.serving.reached import command_stores
    from service.workflows.catalogue.revisions import restore_revision

    with command_stores(settings) as stores, stores.transaction() as transaction:
        made = restore_revision(transaction, revision, who=who(), why=why)
    click.echo(f"active revision: {made.number} ({made.reason})")


@catalogue.command("revisions")
@click.pass_obj
def revisions(settings: Settings) -> None:
    """List the revisions, newest first: who made them, when and why."""
    from service.serving.reached import command_stores
    from service.workflows.catalogue.read_catalogue import list_revisions

    before = None
    with command_stores(settings) as stores:
        while True:
            found, before = list_revisions(stores, before, _AT_ONCE)
            for one in found:
                mark = "*" if one.state == "active" else " "
                when = f"{one.made_at:%Y-%m-%d %H:%M}"
                click.echo(f"{mark} {one.number:4}  {when}  {one.parts:6} parts  {one.made_by}  {one.reason}")
            if before is None:
                break


@catalogue.command("changes")
@click.argument("revision", type=click.IntRange(1), required=False)
@click.pass_obj
def changes(settings: Settings, revision: int | None) -> None:
    """Say how far asking open and recent cases again under REVISION has come, and which answers became others."""
    from service.serving.reached import command_stores
    from service.workflows.cases.reidentify import list_changes, progress_of

    with command_stores(settings) as stores:
        progress = progress_of(stores, revision)
        left = "" if not progress.remaining else f", {progress.remaining} to go"
        click.echo(f"revision {progress.catalogue_revision}: {progress.state}, {progress.done} cases asked again{left}")
        after = None
        while True:
            found, after = list_changes(stores, progress.catalogue_revision, after, _AT_ONCE)
            for change in found:
                told = "  told otherwise" if change.told_otherwise else ""
                click.echo(f"  {change.reference}  {_said(change.before)} -> {_said(change.after)}{told}")
            if after is None:
                break
    click.echo(f"{progress.changed} answers became others, {progress.told_otherwise} unlike what was told")


def _said(said: Said) -> str:
    part = f" {said.part_number}" if said.part_number and said.state.value in ("identified", "ambiguous") else ""
    return f"{said.state.value}{part} (revision {said.catalogue_revision})"


def _tell_doubts(doubts: tuple[Fault, ...]) -> None:
    for doubt in doubts[:_DOUBTS_SHOWN]:
        click.echo(f"warning: {doubt.pointer}: {doubt.detail}", err=True)
    if len(doubts) > _DOUBTS_SHOWN:
        click.echo(f"warning: and {len(doubts) - _DOUBTS_SHOWN} more", err=True)


@contextmanager
def _progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error while a terminal is there to show it; nothing otherwise."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)
