"""The `lobedesk` command."""

from __future__ import annotations

import dataclasses
import logging
import os
import sys
from pathlib import Path
from typing import Any

import click

from service.commands.backup import backup, restore
from service.commands.catalogue import catalogue
from service.commands.engine import calibrate, engine
from service.commands.keys import keys
from service.commands.report import report
from service.commands.secrets import secrets
from service.domain.errors import LobedeskError
from service.settings import Settings, read_settings


class Commands(click.Group):
    """A group whose commands end with a message, not a traceback, when something goes wrong that we know of."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except LobedeskError as error:
            click.echo(f"lobedesk: {error.message}", err=True)
            for fault in error.faults:
                if fault.detail == error.message:
                    continue  # said already
                value = getattr(fault, "value", None)
                found = "" if value is None else f" (found: {value!r})"
                click.echo(f"  {fault.pointer or 'the file'}: {fault.detail}{found}", err=True)
            ctx.exit(1)
        except OSError as error:
            if error.filename is None:
                raise
            click.echo(f"lobedesk: {error.filename}: {error.strerror}.", err=True)
            ctx.exit(1)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lobedesk")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Names the camshaft from a few hand measurements.

    Settings come from LOBEDESK_* variables. With no LOBEDESK_DATABASE_URL an embedded Postgres is started, or the one
    of a running `lobedesk serve` is used.
    """
    # The engine's matrices are small, several processes share a machine, and a signal is to find no thread but ours.
    for library in ("OPENBLAS", "OMP", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")  # noqa: TID251  written, not read
    ctx.obj = read_settings()


@main.command()
@click.option("--host", help="Address to listen on; LOBEDESK_HTTP_HOST otherwise.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; 0 picks a free one.")
@click.option("--workers", type=click.IntRange(1, 64), help="Web worker processes.")
@click.option("--no-worker", is_flag=True, help="Leave out the job worker.")
@click.pass_obj
def serve(settings: Settings, host: str | None, port: int | None, workers: int | None, no_worker: bool) -> None:
    """Serve the API until Ctrl-C or SIGTERM."""
    from service.serving.serve import serve as serve_until_stopped

    settings = dataclasses.replace(
        settings,
        http_host=settings.http_host if host is None else host,
        http_port=settings.http_port if port is None else port,
        workers=settings.workers if workers is None else workers,
    )
    sys.exit(
        serve_until_stopped(
            settings, with_worker=not no_worker, announce=lambda url: click.echo(f"lobedesk serves {url}")
        )
    )


@main.command()
@click.pass_obj
def worker(settings: Settings) -> None:
    """Work on jobs until Ctrl-C or SIGTERM; any number of workers may run, anywhere."""
    from service.serving.worker import work

    work(settings)


@main.command()
@click.pass_obj
def migrate(settings: Settings) -> None:
    """Bring the schema to head."""
    from service.serving.reached import reached_stores
    from service.serving.schema import bring_to_head

    with reached_stores(settings, migrate=False) as reached:
        before, after = bring_to_head(reached.settings)
    click.echo(f"schema at {after}" if before == after else f"schema from {before or 'nothing'} to {after}")


main.add_command(backup)
main.add_command(calibrate)
main.add_command(catalogue)
main.add_command(engine)
main.add_command(keys)
main.add_command(report)
main.add_command(restore)
main.add_command(secrets)


@main.command("lift-table")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--unit", type=click.Choice(["in", "mm"]), default="in", help="Of a CSV file's lifts.")
@click.option("--angle", type=click.Choice(["cam", "crank"]), default="cam", help="Whose degrees a CSV file is in.")
@click.option("--follower", type=click.Choice(["flat", "roller", "point"]), default="flat", help="What read the lift.")
@click.option("--radius", help="The roller's radius.")
@click.option("--base-circle", help="The lobes' base circle diameter.")
@click.option("--lobe", type=click.Choice(["intake", "exhaust"]), default="intake", help="Of a file that names none.")
@click.option("--direction", type=click.Choice(["rising", "falling"]), help="How the angles go as the shaft turns.")
@click.option("--rocker-ratio", help="With it, the valve's figures too.")
@click.option("--lash", help="At the valve.")
@click.option("--match", is_flag=True, help="Compare with the active catalogue.")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Draw it to this SVG file.")
@click.pass_obj
def lift_table(settings: Settings, /, file: Path, match: bool, plot: Path | None, **options: str | None) -> None:
    """Work a bench's lift table out.

    FILE is JSON as POST /v1/lift-tables takes it, or CSV: angle, lift; or angle, intake, exhaust; or lobe, angle, lift.
    For JSON the file says everything itself.
    """
    from service.commands.lift_table import read_table_file, work_out_file

    given: dict[str, Any] = {name: value for name, value in options.items() if value is not None}
    radius = given.pop("radius", None)
    given["follower"] = {"kind": given["follower"]} | ({} if radius is None else {"radius": radius})
    text, drawing = work_out_file(settings, read_table_file(file, given), match=match)
    click.echo(text, nl=False)
    if plot is not None:
        plot.write_text(drawing, encoding="utf-8")


@main.command("valve-timing")
@click.argument("readings", nargs=-1, required=True)
@click.option("--unit", type=click.Choice(["in", "mm"]), default="in", help="Of every length.")
@click.option("--checking-lift", required=True, help="The lift at which events were read.")
@click.option("--at", type=click.Choice(["lobe", "valve"]), default="lobe", help="Where that lift was measured.")
@click.option("--stated", multiple=True, help="A card's figure, as NAME=DEGREES; may be given again.")
@click.option("--stop", help="A piston stop's two readings: BEFORE,AFTER.")
@click.option("--lift", help="The lobes' lift, to work the figures over to --also-at.")
@click.option("--rocker-ratio", help="Valve lift over lobe lift.")
@click.option("--lash", help="At the valve.")
@click.option("--also-at", help="Another checking lift, as 0.050@valve.")
def valve_timing(readings: tuple[str, ...], **options: Any) -> None:
    """Work valve timing out.

    READINGS are NAME=DEGREES, or NAME=A,B,C for repeats: intake_opens, intake_closes, exhaust_opens, exhaust_closes,
    intake_centre, exhaust_centre, intake_duration, exhaust_duration, lobe_separation, overlap, advance. Events as a
    card writes them: intake_opens=20 is before, intake_opens=-5 after top dead centre (put -- before negative ones).
    """
    from service.commands.valve_timing import timing_text

    click.echo(timing_text(readings, options), nl=False)


@main.command()
@click.pass_obj
def status(settings: Settings) -> None:
    """Show what is configured, what can be reached, and at which revision it is."""
    from service.commands.status import status_of

    found = status_of(settings)
    width = max(len(name) for name, _ in found.lines)
    for name, text in found.lines:
        click.echo(f"{name:<{width}}  {text}")
    sys.exit(0 if found.well else 1)


@main.command()
def openapi() -> None:
    """Print the OpenAPI document, as it is served and committed."""
    from service.app import close_app, create_app
    from service.web.document import document_bytes

    # The document rests on the routes alone: neither store is asked anything, nor missed.
    logging.getLogger("psycopg.pool").disabled = True
    app = create_app(Settings(database_url="postgresql://127.0.0.1:1/none", redis_url="redis://127.0.0.1:1"))
    try:
        sys.stdout.buffer.write(document_bytes(app))
    finally:
        close_app(app)


if __name__ == "__main__":
    main()
