"""`lobedesk backup` and `lobedesk restore`: the whole database into a file, and a file into an empty database."""

from __future__ import annotations

from pathlib import Path

import click

from service.settings import Settings


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_obj
def backup(settings: Settings, file: Path) -> None:
    """Write the whole database to FILE; the service may run meanwhile.

    It holds customers' names and addresses: keep it as you keep the database. Webhook secrets in it stay sealed with
    LOBEDESK_SECRETS_KEY, which is not in it.
    """
    from service.adapters.postgres.dump import dump
    from service.serving.reached import reached_stores

    with reached_stores(settings, migrate=False) as reached:
        dump(reached.settings.database_url or "", file)
    click.echo(f"written: {file}, {file.stat().st_size} bytes")


@click.command()
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.pass_obj
def restore(settings: Settings, file: Path) -> None:
    """Fill an empty database from FILE, and bring it to this code's schema.

    The way from the embedded Postgres to a real one, and to a newer Postgres: back up, set LOBEDESK_DATABASE_URL to an
    empty database, restore.
    """
    from service.adapters.postgres.dump import restore as restore_from
    from service.serving.reached import reached_stores
    from service.serving.schema import bring_to_head

    with reached_stores(settings, migrate=False) as reached:
        restore_from(reached.settings.database_url or "", file)
        _, revision = bring_to_head(reached.settings)
    click.echo(f"restored; schema at {revision}")
