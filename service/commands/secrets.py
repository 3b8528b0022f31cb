"""`lobedesk secrets`: the keys that webhook secrets are sealed with."""

from __future__ import annotations

import click

from service.settings import Settings


@click.group()
def secrets() -> None:
    """The keys that webhook secrets are sealed with in the database (LOBEDESK_SECRETS_KEY)."""


@secrets.command("new-key")
def new_key() -> None:
    """Print a new key. Put it in front of the old one, seal again, then take the old one away."""
    from service.adapters import sealing

    click.echo(sealing.new_key())


@secrets.command("seal")
@click.pass_obj
def seal(settings: Settings) -> None:
    """Seal every webhook's secret with the first key: those that lie open, and those sealed with another."""
    from service.serving.reached import command_stores

    if not settings.secrets_key:
        raise click.ClickException("LOBEDESK_SECRETS_KEY is not set.")
    with command_stores(settings) as stores, stores.transaction() as transaction:
        sealed = transaction.endpoints.seal_again()
    click.echo(f"sealed: {sealed}")
