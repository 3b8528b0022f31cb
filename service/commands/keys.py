"""`lobedesk keys`: API keys made, listed, taken over from and stopped, on the machine itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID

import click

from service.domain.access import Role
from service.settings import Settings

_NO_SITE = "It names no site, so no page of a store may use it; --origin https://www.shop.example names one."
_ONCE = "Keep this key; it cannot be shown again:"
_MINUTES = "%Y-%m-%d %H:%M"


@click.group()
def keys() -> None:
    """API keys."""


@keys.command()
@click.option("--role", type=click.Choice([role.value for role in Role]), required=True, help="What it may do.")
@click.option("--name", required=True, help="Whose it is, for people.")
@click.option(
    "--origin", multiple=True, help="A site a widget key may be used on: https://www.shop.example. Repeatable."
)
@click.option("--days", type=click.IntRange(1, 3650), help="After so many days it stops working; left out, never.")
@click.option("--shared", is_flag=True, help="Several people sit at it, and each has to say who they are.")
@click.pass_obj
def create(settings: Settings, role: str, name: str, origin: tuple[str, ...], days: int | None, shared: bool) -> None:
    """Make an API key and print it, once, alone on the last line."""
    from service.serving.reached import command_stores
    from service.workflows.keys import create_key

    expires_at = None if days is None else datetime.now(UTC) + timedelta(days=days)
    with command_stores(settings) as stores:
        key = create_key(stores, Role(role), name, origin, expires_at, shared=shared)
    if role == Role.WIDGET and not origin:
        click.echo(_NO_SITE, err=True)
    click.echo(_ONCE)
    click.echo(key)


@keys.command("list")
@click.pass_obj
def list_keys(settings: Settings) -> None:
    """Every key, oldest first: id, last four characters, role, when last used (UTC), whether it works, whose it is."""
    from service.serving.reached import command_stores
    from service.workflows.keys import all_keys

    with command_stores(settings) as stores:
        entries = all_keys(stores)
    now = datetime.now(UTC)
    for entry in entries:
        used = "never used" if entry.last_used_at is None else f"used {entry.last_used_at.astimezone(UTC):{_MINUTES}}"
        if entry.revoked_at is not None:
            state = f"revoked {entry.revoked_at.astimezone(UTC):{_MINUTES}}"
        elif entry.expires_at is None:
            state = "works"
        else:
            state = f"{'works until' if entry.works(now) else 'expired'} {entry.expires_at.astimezone(UTC):{_MINUTES}}"
        record = entry.record
        shared = ", shared" if record.shared else ""
        click.echo(f"{record.id}  {entry.ending}  {record.role:<6}  {used:<21}  {state:<28}  {record.name}{shared}")


@keys.command()
@click.argument("key_id", type=click.UUID)
@click.option(
    "--overlap-hours",
    type=click.IntRange(0, 2160),
    default=24,
    show_default=True,
    help="How long the old one works on.",
)
@click.pass_obj
def rotate(settings: Settings, key_id: UUID, overlap_hours: int) -> None:
    """Make a key that takes over from another, and print it, once, alone on the last line."""
    from service.serving.reached import command_stores
    from service.workflows.keys import rotate_key

    with command_stores(settings) as stores, stores.transaction() as transaction:
        _, key = rotate_key(transaction, None, key_id, timedelta(hours=overlap_hours))
    click.echo(_ONCE)
    click.echo(key)


@keys.command()
@click.argument("key_id", type=click.UUID)
@click.pass_obj
def revoke(settings: Settings, key_id: UUID) -> None:
    """Stop a key, in every process at once."""
    from service.serving.reached import command_stores
    from service.workflows.keys import revoke_key

    with command_stores(settings) as stores, stores.transaction() as transaction:
        revoke_key(transaction, None, key_id)
    click.echo("revoked")
