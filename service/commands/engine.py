"""`lobedesk calibrate` and `lobedesk engine ...`: learning from confirmed cases, and the versions it makes."""

from __future__ import annotations

from uuid import UUID

import click

from service.commands.terminal import who
from service.settings import Settings


@click.command()
@click.option(
    "--only",
    type=click.Choice(["constants", "shares"]),
    help="Learn only how callers err, or only which parts they have; the other stays as it is in use.",
)
@click.option("--activate", is_flag=True, help="Keep it as a new engine version and answer by it from now on.")
@click.pass_obj
def calibrate(settings: Settings, only: str | None, activate: bool) -> None:
    """Learn from the confirmed cases how callers and their tools err, and which parts callers have.

    Shows what is in use and what was learned beside each other, and the log score of both on cases that were held out.
    Refitting the constants may take some seconds a case; the shares take a fraction of one.
    """
    from service.documents.calibration_text import calibration_text
    from service.identification.learning.calibration import Learn
    from service.identification.measuring.model import DEFAULT_MODEL
    from service.serving.reached import command_stores
    from service.workflows.identifying.engine_versions import version_named
    from service.workflows.learning.calibrate import propose, put_to_use

    with command_stores(settings) as stores:
        proposal = propose(stores, Learn(only or "both"))
        used = proposal.in_use
        old = (version_named(None), DEFAULT_MODEL) if used is None else (version_named(used.name), used.model)
        click.echo(calibration_text(proposal.calibration, *old, proposal.left_out, proposal.confirmed))
        if activate:
            name = put_to_use(stores, proposal, who())
            click.echo(f"answers come from engine {version_named(name)} from now on")
        else:
            click.echo("nothing was changed; with --activate it is put to use")


@click.group()
def engine() -> None:
    """The engine's versions: its code, and after a plus sign what was learned from confirmed cases."""


@engine.command("list")
@click.pass_obj
def list_versions(settings: Settings) -> None:
    """The versions there are, newest first."""
    from service.serving.reached import command_stores
    from service.workflows.identifying.engine_versions import version_named

    with command_stores(settings) as stores, stores.transaction() as transaction:
        versions = transaction.engine_versions.all()
    for one in versions:
        in_use = "in use" if one.active else ""
        scores = f"log score {one.score_before:.4f} to {one.score_after:.4f} on {one.held_out} cases"
        learned = " and ".join(["constants"] * bool(one.factors) + ["shares"] * bool(one.demand.callers))
        click.echo(
            f"{one.name:<6}{one.made_at:%Y-%m-%d}  by {one.made_by}, {one.fitted} cases, {learned}, {scores}  {in_use}"
        )
    in_use = "" if any(one.active for one in versions) else "  in use"
    click.echo(f"{version_named(None):<6}the constants of the code and the shares of the catalogue{in_use}")


@engine.command("use")
@click.argument("version")
@click.pass_obj
def use(settings: Settings, version: str) -> None:
    """Answer by VERSION from now on: c1, c2, ..., or the code's own, as `lobedesk engine list` names it."""
    from service.serving.reached import command_stores
    from service.workflows.identifying.engine_versions import version_named
    from service.workflows.learning.calibrate import use_version

    name = None if version == version_named(None) else version
    with command_stores(settings) as stores:
        use_version(stores, name, who())
    click.echo(f"answers come from engine {version_named(name)} from now on")


@engine.command("again")
@click.argument("case", type=click.UUID)
@click.option("--version", help="As answers name it (1.1+c2); the one that gave the answer otherwise.")
@click.pass_obj
def again(settings: Settings, case: UUID, version: str | None) -> None:
    """Answer CASE's readings again, under its own catalogue revision, and compare. Nothing is kept."""
    from service.documents.again_text import again_text
    from service.serving.reached import command_stores
    from service.workflows.identifying.answer_again import answer_again

    with command_stores(settings) as stores:
        both = answer_again(stores, case, settings.losses, version)
    click.echo(again_text(both.given.identification, both.again))
