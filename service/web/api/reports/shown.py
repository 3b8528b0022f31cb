"""The report on confirmed cases as JSON."""

from __future__ import annotations

from typing import Any

from service.domain.truth_record import Share, TruthReport

Json = dict[str, Any]


def truth_report_json(report: TruthReport) -> Json:
    """The report as JSON."""
    return {
        "confirmed_cases": report.cases,
        "named_right": _share(report.named_right),
        "leading_right": _share(report.leading_right),
        "brier_score": report.brier,
        "reliability": [
            {
                "start": one.start,
                "end": one.end,
                "mean_stated": one.mean_stated,
                "came_true": _share(one.came_true),
            }
            for one in report.bins
        ],
        "coverage": [
            {"error_rate": one.error_rate, "share": one.share, "least_stated": one.least_stated}
            for one in report.coverage
        ],
        "reviewers": [
            {
                "by": reviewer.by,
                "cannot_tell": reviewer.cannot_tell,
                "right": _share(reviewer.right),
                "by_confidence": [
                    {"confidence": confidence, "right": _share(share)} for confidence, share in reviewer.by_confidence
                ],
            }
            for reviewer in report.reviewers
        ],
        "second_looks_agree": _share(report.looks_agree),
        "kappa": report.kappa,
        "sampled_answers_agree": _share(report.sample_agrees),
    }


def _share(share: Share) -> Json:
    interval = None if share.low is None else [share.low, share.high]
    return {"of": share.of, "count": share.count, "share": share.share, "interval": interval}
