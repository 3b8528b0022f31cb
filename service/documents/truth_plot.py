"""The record of confirmed cases drawn: what was stated against what came true, and how often each reviewer was right.

Every bar down or across is a 95 % interval (Wilson). A point on the diagonal has come true as often as was stated.
"""

from __future__ import annotations

from service.documents.svg import FAINT, GREY, INK, RULE, Drawing
from service.documents.words import shortened
from service.domain.truth_record import Share, TruthReport

_WIDTH = 360.0
_LEFT, _TOP, _SIDE = 46.0, 76.0, 280.0
_ROW = 30.0
_BAR_LEFT, _BAR_RIGHT = 130.0, 300.0


def draw_truth(report: TruthReport) -> str:
    """SVG text of the drawing; it stands alone, and says in `desc` all that it shows."""
    drawing = Drawing(_WIDTH, "Stated and observed probability")
    drawing.text(12, 24, "Stated and observed probability", size=14, bold=True)
    drawing.text(12, 42, f"{report.cases} confirmed cases; bars are 95 % intervals.", fill=GREY)
    for n, line in enumerate(coverage_lines(report)):
        drawing.text(12, _TOP + _SIDE + 58 + 18 * n, line, size=12, fill=GREY)
    _square(drawing)
    for one in report.bins:
        if one.mean_stated is not None:
            _point(drawing, one.mean_stated, one.came_true)
    y = _TOP + _SIDE + 72 + 18 * len(report.coverage)
    drawing.text(12, y, "Reviewers: share that was right", size=14, bold=True)
    y += 26
    if not report.reviewers:
        drawing.text(12, y, "No confirmed case was decided by a person yet.", fill=GREY)
    for reviewer in report.reviewers:
        _bar(drawing, y, reviewer.by, reviewer.right)
        y += _ROW
    return drawing.finish(y + 12, describe_truth(report))


def describe_truth(report: TruthReport) -> str:
    """The drawing in words, one sentence a mark."""
    said = [f"{report.cases} confirmed cases."]
    said += [
        f"Stated {one.mean_stated:.2f} on average, came true {share_words(one.came_true)}."
        for one in report.bins
        if one.mean_stated is not None
    ]
    said += [f"{line}." for line in coverage_lines(report)]
    said += [f"{reviewer.by} was right {share_words(reviewer.right)}." for reviewer in report.reviewers]
    return " ".join(said)


def coverage_lines(report: TruthReport) -> list[str]:
    """How much could have been answered at each error rate, a line each."""
    lines = []
    for one in report.coverage:
        down_to = "" if one.least_stated is None else f", down to {one.least_stated:.3f} stated"
        lines.append(f"Answerable with {one.error_rate:.0%} wrong: {one.share:.0%}{down_to}".replace("%", " %"))
    return lines


def share_words(share: Share) -> str:
    """A share for reading: `8 of 9, 89 % (57 to 98 %)`."""
    if share.share is None or share.low is None or share.high is None:
        return "0 of 0"
    return f"{share.count} of {share.of}, {share.share:.0%} ({share.low:.0%} to {share.high:.0%})".replace("%", " %")


def _square(drawing: Drawing) -> None:
    for tenth in range(0, 11, 2):
        at = tenth / 10
        drawing.line(_x(at), _y(0), _x(at), _y(1), stroke=FAINT)
        drawing.line(_x(0), _y(at), _x(1), _y(at), stroke=FAINT)
        drawing.text(_x(at), _y(0) + 16, f"{at:.1f}", size=11, anchor="middle", fill=GREY)
        drawing.text(_x(0) - 6, _y(at) + 4, f"{at:.1f}", size=11, anchor="end", fill=GREY)
    drawing.curve([(_x(0), _y(0)), (_x(1), _y(1))], stroke=RULE, dashed=True)
    drawing.text(_x(0.5), _y(0) + 34, "probability stated for the leading part", size=12, anchor="middle")
    drawing.text(_LEFT - 30, _TOP - 10, "share that came true", size=12)


def _point(drawing: Drawing, stated: float, came_true: Share) -> None:
    if came_true.share is None or came_true.low is None or came_true.high is None:
        return
    drawing.line(_x(stated), _y(came_true.low), _x(stated), _y(came_true.high), stroke=INK, width=1.6)
    drawing.mark(_x(stated), _y(came_true.share), 0)


def _bar(drawing: Drawing, y: float, by: str, right: Share) -> None:
    drawing.text(12, y + 4, shortened(by, 16))
    drawing.line(_BAR_LEFT, y, _BAR_RIGHT, y, stroke=FAINT)
    if right.share is not None and right.low is not None and right.high is not None:
        wide = _BAR_RIGHT - _BAR_LEFT
        drawing.line(_BAR_LEFT + right.low * wide, y, _BAR_LEFT + right.high * wide, y, stroke=INK, width=1.6)
        drawing.mark(_BAR_LEFT + right.share * wide, y, 0)
    drawing.text(_WIDTH - 12, y + 4, f"{right.count}/{right.of}", anchor="end", fill=GREY)


def _x(share: float) -> float:
    return _LEFT + share * _SIDE


def _y(share: float) -> float:
    return _TOP + (1 - share) * _SIDE
