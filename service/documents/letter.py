"""The answer as a letter to a customer: what it says, before anybody decides how it looks.

`compose` is the one place that knows what a letter holds; `letter_text`, `letter_html` and `letter_pdf` set the same
sections three ways. Markings, notes and the engine a caller claims never get this far: they may be another's secret.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TypeAlias

from service.documents.letter_figures import catalogue_rows, measured_rows, worked_out
from service.documents.words import percent, printable
from service.domain.bench import OVERDUE
from service.domain.catalogue import Core, Part
from service.domain.cautions import CAUTIONS
from service.domain.identification import AnswerState, Candidate, Identification
from service.domain.readings import Submission
from service.domain.supplier import Supplier

_MOST_LISTED = 6
_TOLD_ELSEWHERE = frozenset({"marking_not_evidence", "engine_family_unknown", "looks_reground", OVERDUE})
"""Advice for the desk, or that the letter gives in words of its own."""


@dataclass(frozen=True)
class Table:
    """Rows under `columns`; all cells are text, those after the first two are figures."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]


Block: TypeAlias = "str | Bullets | Table"


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it; a block that is text is a paragraph."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Letter:
    """Everything a letter says, in order; every text is on one line and fit to print."""

    supplier: Supplier
    reference: str
    written_on: date
    addressee: str | None
    subject: str
    headline: str
    sections: tuple[Section, ...]
    footing: str


@dataclass(frozen=True)
class Verdict:
    """What a person at the desk decided: a part of the catalogue, that it is none of them, or that nobody can tell.

    `sureness` is the person's own word for how sure they are.
    """

    state: AnswerState
    part_number: str | None
    sureness: str


@dataclass(frozen=True)
class Facts:
    """What a letter is written from. `parts` and `cores` by number and code, those the answer names at the least.

    `shaft` tells, line by line, what became of a shaft that was posted in; empty where none was.
    """

    submission: Submission
    identification: Identification
    catalogue_revision: int
    parts: Mapping[str, Part]
    cores: Mapping[str, Core]
    reference: str
    written_on: date
    verdict: Verdict | None = None
    shaft: tuple[str, ...] = ()


def compose(facts: Facts, supplier: Supplier) -> Letter:
    """The letter that goes with an answer."""
    named = named_part(facts)
    sections = (
        Section("Your shaft", (Bullets(facts.shaft),)) if facts.shaft else None,
        _what_it_is(facts, named),
        _what_was_measured(facts),
        _what_the_catalogue_states(named),
        _what_it_fits(facts, named),
        _what_to_check(named),
        _what_we_could_not_tell(facts, named),
    )
    contact = facts.submission.contact
    headline = _headline(facts, named)
    return Letter(
        supplier=replace(supplier, address=tuple(map(printable, supplier.address))),
        reference=facts.reference,
        written_on=facts.written_on,
        addressee=printable(contact.name) if contact and contact.name else None,
        subject=f"Your camshaft, our reference {facts.reference}",
        headline=headline,
        sections=tuple(_fit_to_print(section) for section in sections if section is not None),
        footing=f"Reference {facts.reference}. Catalogue revision {facts.catalogue_revision}, "
        f"engine {facts.identification.engine_version}.",
    )


def named_part(facts: Facts) -> Part | None:
    """The part the letter names, if it names one."""
    if facts.verdict is not None:
        number = facts.verdict.part_number
    elif facts.identification.state is AnswerState.IDENTIFIED and facts.identification.candidates:
        number = facts.identification.candidates[0].part_number
    else:
        number = None
    return None if number is None else facts.parts.get(number)


def _state(facts: Facts) -> AnswerState:
    return facts.identification.state if facts.verdict is None else facts.verdict.state


def _headline(facts: Facts, named: Part | None) -> str:
    if named is not None:
        return f"It is {_called(named)}"
    return {
        AnswerState.AMBIGUOUS: "It is one of a few parts",
        AnswerState.NOT_IN_CATALOGUE: "It is none of the parts in our catalogue",
    }.get(_state(facts), "We cannot say yet which part it is")


def _called(part: Part) -> str:
    return f"{part.part_number}, {part.title}" if part.title else part.part_number


def _what_it_is(facts: Facts, named: Part | None) -> Section:
    found = facts.identification
    if facts.verdict is not None:
        said: list[Block] = [
            f"A person at our desk looked at this case and decided. How sure we are: {facts.verdict.sureness}."
        ]
        return Section("What it is, and how sure we are", tuple(said))
    said = []
    if named is not None:
        best = found.candidates[0]
        said.append(
            f"The readings point to part number {best.part_number}. How sure we are: {percent(best.probability)}, if "
            "they were taken from the shaft as described."
        )
        if best.same_as:
            said.append(f"The same grind is also sold as {', '.join(best.same_as)}.")
        said += _of_the_part(named, best)
    elif _state(facts) is AnswerState.NOT_IN_CATALOGUE:
        said.append(
            "No part of our catalogue fits these readings. How sure we are of that: "
            f"{percent(found.not_in_catalogue_probability)}."
        )
    else:
        said.append("These readings do not tell the following apart:")
        said.append(Bullets(tuple(_listed(facts, candidate) for candidate in found.candidates[:_MOST_LISTED])))
    return Section("What it is, and how sure we are", tuple(said))


def _of_the_part(part: Part, candidate: Candidate) -> list[Block]:
    said: list[Block] = []
    if part.superseded_by:
        said.append(f"It is no longer sold under this number; {part.superseded_by} has taken its place.")
    if candidate.reground_probability > 0.5:
        said.append(
            f"Its base circle is under size while the lift fits: it looks reground "
            f"({percent(candidate.reground_probability)})."
        )
    return said


def _listed(facts: Facts, candidate: Candidate) -> str:
    part = facts.parts.get(candidate.part_number)
    called = candidate.part_number if part is None else _called(part)
    also = f" (also sold as {', '.join(candidate.same_as)})" if candidate.same_as else ""
    return f"{called}{also}: {percent(candidate.probability)}"


def _what_was_measured(facts: Facts) -> Section:
    table = Table(("What", "Measured with", "in", "mm"), measured_rows(facts.submission))
    derived = worked_out(facts.identification)
    blocks: list[Block] = [table]
    if derived:
        blocks += ["From these we worked out, corrected for the errors such tools are known to make:", Bullets(derived)]
        if facts.identification.suspected_slips:
            blocks.append("These are worked out from the readings as they were given, the suspected slip included.")
    if any(advice.code == OVERDUE for advice in facts.identification.advice):
        blocks.append("An instrument used for it had no calibration in date on the day.")
    return Section("What was measured", tuple(blocks))


def _what_the_catalogue_states(named: Part | None) -> Section | None:
    if named is None:
        return None
    table = Table(("What", "Lobe", "in", "mm"), catalogue_rows(named))
    return Section(f"What our catalogue states for {named.part_number}", (table,))


def _what_it_fits(facts: Facts, named: Part | None) -> Section:
    heading = "What it fits"
    if named is None:
        return Section(heading, ("We do not know which part it is, so we cannot say what it fits.",))
    core = facts.cores.get(named.core)
    families = core.engine_families if core is not None else ()
    if core is None or not families:
        said = f"It is ground on our core {named.core}. Our catalogue does not say which engines that core fits."
    else:
        said = f"It is ground on our core {core.code} ({core.name}), which our catalogue lists for {_and(families)}."
    return Section(heading, (said, "Compare your engine's own manual before you order or fit anything by this."))


def _and(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _what_to_check(named: Part | None) -> Section:
    blocks: list[Block] = [Bullets(CAUTIONS)]
    if named is not None and any(lobe.lash_mm is not None for lobe in named.lobes.values()):
        blocks.append("Set lash by the engine maker's manual; the lash above is what this grind was designed for.")
    return Section("What to check before running it", tuple(blocks))


def _what_we_could_not_tell(facts: Facts, named: Part | None) -> Section:
    found = facts.identification
    others = found.candidates[1:_MOST_LISTED] if named is not None and facts.verdict is None else ()
    said = [f"We cannot rule out {_listed(facts, other)}." for other in others if other.probability >= 0.001]
    if _state(facts) is not AnswerState.NOT_IN_CATALOGUE:
        nobody_s = percent(found.not_in_catalogue_probability)
        said.append(f"It may be a grind that is not in our catalogue at all: {nobody_s} by the readings.")
    said += [f"{slip.message} (probability {percent(slip.probability)})" for slip in found.suspected_slips]
    said += [advice.message for advice in found.advice if advice.code not in _TOLD_ELSEWHERE]
    said.append("Whether the shaft is straight, sound, hard enough and within wear limits was not looked at here.")
    said.append("Numbers and signs on a shaft do not tell its grind, so we did not go by any.")
    blocks: list[Block] = [Bullets(tuple(said))]
    if found.next_reading is not None and facts.verdict is None:
        blocks.append(f"What would help most: {found.next_reading.message}")
    return Section("What we could not tell", tuple(blocks))


def _fit_to_print(section: Section) -> Section:
    """The section with anything that could steer a terminal, or turn the writing round, replaced."""
    return Section(printable(section.heading), tuple(_printable_block(block) for block in section.blocks))


def _printable_block(block: Block) -> Block:
    if isinstance(block, str):
        return printable(block)
    if isinstance(block, Bullets):
        return Bullets(tuple(map(printable, block.items)))
    return Table(block.columns, tuple(tuple(map(printable, row)) for row in block.rows))
