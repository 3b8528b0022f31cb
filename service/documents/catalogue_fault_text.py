"""Faults of the catalogue found by measuring, in words for whoever keeps it."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.readings import Feature
from service.domain.units import LengthUnit
from service.identification.learning.catalogue_faults import (
    FALSE_SHARE,
    LEAST_SHAFTS,
    FaultReport,
    Finding,
    Verdict,
)
from service.identification.learning.nominal_sights import ALLOWED_SHARE, Target

VERDICTS: Mapping[Verdict, str] = {
    Verdict.LIKELY_WRONG: "likely wrong",
    Verdict.WATCH: "to be watched",
    Verdict.NO_SIGN: "no sign of a fault",
    Verdict.TOO_FEW: "too few shafts to say",
}

RULE = (
    f"Nominals that at least {LEAST_SHAFTS} confirmed shafts speak of are tested, each two-sided against the exact law "
    "of its shafts' distances under the measuring model: wear and technique one-sided, their constants out by up to "
    f"{100 * ALLOWED_SHARE:.0f} % of themselves. The p-values are adjusted after Benjamini and Hochberg (1995); a "
    f"nominal counts as likely wrong at an adjusted {FALSE_SHARE:g} or less, so that of those named no more than "
    f"{100 * FALSE_SHARE:.0f} % are expected to be right."
)

CAUTIONS = (
    "A finding is a reason to measure an unused shaft on the bench, not to change a number.",
    "Shafts confirmed under a look-alike's number, ground to an older print or all out of one bad batch look the same.",
    "Confirmed cases are not drawn at random: those whose sizes agree with the print are confirmed more easily.",
)


def catalogue_fault_text(
    report: FaultReport, references: Mapping[str, str], unit: LengthUnit, *, everything: bool = False
) -> str:
    """The report; without `everything` only what is likely wrong or to be watched. `references` name the cases."""
    said = [
        f"{report.shafts} confirmed shafts, {len(report.findings)} nominals they speak of, {report.looked_at} tested"
    ]
    if report.left_out:
        said.append(f"{report.left_out} shafts left out: the catalogue does not have their part any more")
    named = (Verdict.LIKELY_WRONG, Verdict.WATCH)
    shown = [one for one in report.findings if everything or one.verdict in named]
    for one in shown:
        said += ["", *_finding(one, references, unit)]
    if not any(one.verdict is Verdict.LIKELY_WRONG for one in report.findings):
        said += ["", "No nominal is likely wrong."]
    return "\n".join([*said, "", RULE, *CAUTIONS])


def target_words(target: Target) -> str:
    """The nominal in words: "core KD, front journal", "KG8-3J7, intake lift"."""
    if target.feature is Feature.JOURNAL_DIAMETER:
        return f"core {target.core}, {target.position} journal"
    what = "base circle" if target.feature is Feature.BASE_CIRCLE else "lift"
    return f"{target.part_number}, {target.lobe} {what}"


def finding_words(one: Finding, unit: LengthUnit) -> str:
    """What was found of one nominal, in a sentence or two."""
    count = len(one.witnesses)
    shafts = "one shaft says" if count == 1 else f"{count} shafts say"
    found, doubt = one.nominal_mm + one.shift.estimate, one.shift.standard_uncertainty
    sign = "+" if one.shift.estimate > 0 else ""
    words = (
        f"printed {unit.show(one.nominal_mm)} {unit}, {shafts} {unit.show(found)} {unit} "
        f"({sign}{unit.show(one.shift.estimate)}, standard uncertainty {unit.show(doubt)}); "
        f"{one.larger} above the print, {count - one.larger} not."
    )
    adjusted = "" if one.adjusted is None else f", {one.adjusted:.2g} adjusted for how many were looked at"
    return f"{words} Chance of as much from a right print: {max(one.shift.p_value, 1e-12):.2g}{adjusted}."


def _finding(one: Finding, references: Mapping[str, str], unit: LengthUnit) -> list[str]:
    cases = [
        f"    {references.get(w.case, w.case)}  {unit.show(w.measured_mm)} as measured, "
        f"{unit.show(w.corrected_mm)} ± {unit.show(w.sd_mm)} corrected{', outlying' if w.outlying else ''}"
        for w in one.witnesses
    ]
    return [f"{target_words(one.target)}: {VERDICTS[one.verdict]}", f"  {finding_words(one, unit)}", *cases]
