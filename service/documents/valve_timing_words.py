"""Valve timing worked out, in words: for the API's messages and for a terminal."""

from __future__ import annotations

import textwrap

from service.documents.lift_table_words import with_doubt
from service.domain.readings import At, LobeKind
from service.identification.bench.timing_sheet import TimingFound
from service.lobe.figures import Figure
from service.lobe.valve_timing import PLAUSIBLE, Disagreement, Timing, TimingSlip

WIDTH = 88

WHERE: dict[Timing, str] = {
    Timing.INTAKE_OPENS: "before top dead centre",
    Timing.INTAKE_CLOSES: "after bottom dead centre",
    Timing.EXHAUST_OPENS: "before bottom dead centre",
    Timing.EXHAUST_CLOSES: "after top dead centre",
    Timing.INTAKE_DURATION: "crank degrees",
    Timing.EXHAUST_DURATION: "crank degrees",
    Timing.INTAKE_CENTRE: "after top dead centre",
    Timing.EXHAUST_CENTRE: "before top dead centre",
    Timing.SEPARATION: "cam degrees",
    Timing.OVERLAP: "crank degrees",
    Timing.ADVANCE: "crank degrees",
}

_SLIPS: dict[TimingSlip, str] = {
    TimingSlip.OTHER_SIDE: "it lies on the other side of its dead centre",
    TimingSlip.OTHER_DEAD_CENTRE: "it was counted from the other dead centre",
    TimingSlip.CAM_DEGREES: "it is in cam degrees",
    TimingSlip.CRANK_DEGREES: "it is in crank degrees",
    TimingSlip.DIGITS: "two digits are swapped",
}


def named(what: Timing) -> str:
    """A figure's name in words."""
    return what.value.replace("_", " ")


def disagreement_words(found: TimingFound, disagreement: Disagreement) -> str:
    """What cannot hold together, and what would mend it."""
    taken = found.sheet.taken
    names = [named(taken[i].what) for i in disagreement.members]
    together = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    if disagreement.figure is not None:
        figure = found.report.figures[disagreement.figure]
        least, most = PLAUSIBLE[disagreement.figure]
        said = (
            f"{together[0].upper()}{together[1:]} give a {named(disagreement.figure)} of {figure.value:.0f}; "
            f"engines have {least:.0f} to {most:.0f}."
        )
    elif len(names) == 1:
        said = (
            f"The {together} cannot be right beside the rest: it is off by {abs(disagreement.off_by[0]):.0f} degrees. "
            "It was left out."
        )
    else:
        said = f"These cannot all be right: {together}. Read them again; the figures rest on all of them."
    mends = [
        f"the {named(taken[fit.reading].what)} is {fit.value:g} ({_SLIPS[fit.slip]})"
        for fit in disagreement.explanations
    ]
    if not mends:
        return said
    return f"{said} It would hold together if {', or if '.join(mends)}."


def timing_advice(found: TimingFound) -> tuple[str, ...]:
    """What a person should know beside the figures."""
    words = [
        f"At this checking lift the {kind.value} lash is not taken up: the valve still stands on its seat."
        for kind in LobeKind
        if found.valve_mm[kind] <= 0 and any(t.what.value.startswith(kind.value) for t in found.sheet.taken)
    ]
    wheel = found.report.wheel
    if found.sheet.stop is None:
        words.append(
            "The wheel's zero was not checked against a piston stop: events, centres and advance are uncertain by it; "
            "durations, separation and overlap are not."
        )
    elif abs(wheel.value) > 2 * wheel.sd and abs(wheel.value) >= 0.5:
        words.append(
            f"The wheel reads {wheel.value:+.1f} crank degrees too much after top dead centre; it was taken off."
        )
    return tuple(words)


def advance_words(figure: Figure) -> str:
    """Which way a cam is advanced."""
    if abs(figure.value) <= 2 * figure.sd:
        return "neither advanced nor retarded, as far as the readings tell"
    return "advanced" if figure.value > 0 else "retarded"


def render_timing(found: TimingFound) -> str:
    """The whole in lines of at most `WIDTH` characters."""
    unit = found.sheet.unit
    at = "valve" if found.sheet.at is At.VALVE else "lobe"
    lines = [f"Valve timing at {unit.show(unit.to_mm(found.sheet.checking_lift))} {unit.value} at the {at}"]
    lines += [_line(what, figure) for what, figure in found.report.figures.items()]
    if Timing.ADVANCE in found.report.figures:
        lines.append(f"  The camshaft is {advance_words(found.report.figures[Timing.ADVANCE])}.")
    if found.there is not None and found.sheet.also_at is not None:
        lift, place = found.sheet.also_at
        lines += ["", f"Worked over to {unit.show(unit.to_mm(lift))} {unit.value} at the {place.value}"]
        lines += [_line(what, figure) for what, figure in found.there.items()]
    notes = [disagreement_words(found, each) for each in found.report.disagreements] + list(timing_advice(found))
    lines += ["", *(_wrapped(words) for words in notes)] if notes else []
    lines += ["", _wrapped("Uncertainties are standard ones. Never measure on an engine that is turning.")]
    return "\n".join(lines) + "\n"


def _line(what: Timing, figure: Figure) -> str:
    return f"  {named(what):<20}{with_doubt(figure, 1):>16}  {WHERE[what]}"


def _wrapped(words: str) -> str:
    return "\n".join(textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent="    "))
