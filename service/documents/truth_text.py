"""The record of confirmed cases in words, for the terminal."""

from __future__ import annotations

from service.documents.truth_plot import coverage_lines, share_words
from service.domain.truth_record import TruthReport


def truth_text(report: TruthReport) -> str:
    """The report, a line for each thing it says; in brackets, 95 % intervals."""
    brier = "-" if report.brier is None else f"{report.brier:.3f}"
    kappa = "-" if report.kappa is None else f"{report.kappa:.2f}"
    lines = [
        f"Confirmed cases: {report.cases}",
        f"Answers that named something and were right: {share_words(report.named_right)}",
        f"Leading candidates that were right: {share_words(report.leading_right)}",
        f"Brier score: {brier}",
        *coverage_lines(report),
        "",
        "Stated   came true",
        *(
            f"  {one.mean_stated:.2f}   {share_words(one.came_true)}"
            for one in report.bins
            if one.mean_stated is not None
        ),
        "",
        "Reviewers who were right",
    ]
    for reviewer in report.reviewers:
        lines.append(f"  {reviewer.by}: {share_words(reviewer.right)}; could not tell: {reviewer.cannot_tell}")
        lines += [f"    when {confidence}: {share_words(share)}" for confidence, share in reviewer.by_confidence]
    lines += [
        "",
        f"Second looks that agree with the first: {share_words(report.looks_agree)}; kappa {kappa}",
        f"Sampled automatic answers that a person agrees with: {share_words(report.sample_agrees)}",
    ]
    return "\n".join(lines)
