"""The `lobedesk` command."""

from __future__ import annotations

import dataclasses
import sys
from typing import Any

import click

from service.domain.access import Role
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
                click.echo(f"  {fault.pointer}: {fault.detail}", err=True)
            ctx.exit(1)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lobedesk")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Names the camshaft from a few hand measurements.

    Settings come from LOBEDESK_* variables. With no LOBEDESK_DATABASE_URL an embedded Postgres is started, or the one
    of a running `lobedesk serve` is used.
    """
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


@main.group()
def keys() -> None:
    """API keys."""


@keys.command("create")
@click.option("--role", type=click.Choice([role.value for role in Role]), required=True, help="What it may do.")
@click.option("--name", required=True, help="Whose it is, for people.")
@click.pass_obj
def create(settings: Settings, role: str, name: str) -> None:
    """Make an API key and print it, once, alone on the last line."""
    from service.serving.reached import command_stores
    from service.workflows.keys import create_key

    with command_stores(settings) as stores:
        key = create_key(stores, Role(role), name)
    click.echo("Keep this key; it cannot be shown again:")
    click.echo(key)


if __name__ == "__main__":
    main()
