"""A catalogue drawn: lifts by core, journals by core, and which parts look alike. Shapes carry the meaning."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from service.documents.svg import FAINT, GREY, INK, RULE, Drawing, ticks
from service.documents.words import shortened
from service.domain.catalogue import Catalogue
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import LookAlike, Separator

MOST_CORES = 60
"""So many cores are drawn; a longer catalogue is told in the tables."""
_WIDTH, _LEFT, _RIGHT = 640.0, 110.0, 620.0
_ROW, _TOP = 22.0, 66.0
_POSITIONS = tuple(Position)

Spot = tuple[float, int]
"""(size in mm, which mark)."""


def draw_lifts(catalogue: Catalogue, unit: LengthUnit) -> str:
    """Every lift, a row a core: discs intake, squares exhaust."""
    rows: dict[str, list[Spot]] = {core.code: [] for core in catalogue.cores}
    for part in catalogue.parts:
        rows[part.core] += [(lobe.lift_mm, int(kind is LobeKind.EXHAUST)) for kind, lobe in part.lobes.items()]
    return _rows("Lifts by core", "disc: intake; square: exhaust", rows, unit)


def draw_journals(catalogue: Catalogue, unit: LengthUnit) -> str:
    """Every journal diameter, a row a core: discs front, squares middle, triangles rear."""
    rows = {
        core.code: [(journal.diameter_mm, _POSITIONS.index(journal.position)) for journal in core.journals]
        for core in catalogue.cores
    }
    return _rows("Journals by core", "disc: front; square: middle; triangle: rear", rows, unit)


def _rows(title: str, legend: str, rows: dict[str, list[Spot]], unit: LengthUnit) -> str:
    drawing = Drawing(_WIDTH, title)
    drawing.text(12, 24, title, size=14, bold=True)
    drawing.text(12, 42, f"{legend}; {'inches' if unit is LengthUnit.INCH else 'millimetres'}", size=12, fill=GREY)
    shown = dict(list(rows.items())[:MOST_CORES])
    sizes = [size for spots in shown.values() for size, _ in spots] or [0.0]
    low, high = min(sizes), max(sizes)
    room = max(high - low, 0.1) * 0.04
    low, high = low - room, high + room
    bottom = _TOP + _ROW * len(shown)

    def x(size: float) -> float:
        return _LEFT + (size - low) / (high - low) * (_RIGHT - _LEFT)

    for tick in ticks(unit.from_mm(low), unit.from_mm(high)):
        at = x(tick * float(unit.mm))
        drawing.line(at, _TOP - 6, at, bottom, stroke=FAINT)
        drawing.text(at, bottom + 16, f"{tick:.6g}", size=11, anchor="middle", fill=GREY)
    said = [f"{title}; {legend}."]
    for n, (code, spots) in enumerate(shown.items()):
        y = _TOP + _ROW * (n + 0.5)
        drawing.text(12, y + 4, shortened(code, 12), size=12)
        drawing.line(_LEFT, y, _RIGHT, y, stroke=RULE, width=0.5)
        for size, mark in sorted(set(spots)):
            drawing.mark(x(size), y, mark)
        if spots:
            least, most = (unit.show(f([size for size, _ in spots])) for f in (min, max))
            said.append(f"Core {code}: {least}." if least == most else f"Core {code}: {least} to {most}.")
    if len(rows) > len(shown):
        drawing.text(12, bottom + 34, f"and {len(rows) - len(shown)} more cores", size=12, fill=GREY)
        said.append(f"And {len(rows) - len(shown)} more cores.")
    return drawing.finish(bottom + 44, " ".join(said))


def draw_look_alikes(pairs: Sequence[LookAlike], new: Sequence[LookAlike] = ()) -> str:
    """Which parts look alike to a caliper, an arc a pair over the parts of a core in the order they come.

    A thick arc is new; a dashed one cannot be parted by anything stated.
    """
    title = "Look-alikes"
    drawing = Drawing(_WIDTH, title)
    drawing.text(12, 24, title, size=14, bold=True)
    drawing.text(12, 42, "an arc joins two parts; thick: new; dashed: nothing stated parts them", size=12, fill=GREY)
    fresh = {(one.part_number, one.other) for one in new}
    by_core: dict[str, list[LookAlike]] = defaultdict(list)
    for one in pairs:
        by_core[one.core if one.core == one.other_core else "two cores"].append(one)
    y, said = _TOP, ["Arcs join parts that look alike to a caliper."]
    for core, several in list(by_core.items())[:MOST_CORES]:
        places = {name: 0.0 for one in several for name in (one.part_number, one.other)}
        for n, name in enumerate(places):
            places[name] = _LEFT + (_RIGHT - _LEFT) * (n + 0.5) / len(places)
        arcs = [(places[one.part_number], places[one.other], one) for one in several]
        tall = min(60.0, max(abs(a - b) for a, b, _ in arcs) / 2) + 12
        y += tall
        drawing.text(12, y + 4, shortened(core, 12), size=12)
        for a, b, one in arcs:
            rise = min(60.0, abs(a - b) / 2)
            bow = [(a + (b - a) * t / 16, y - rise * 4 * (t / 16) * (1 - t / 16)) for t in range(17)]
            is_new = (one.part_number, one.other) in fresh
            drawing.curve(
                bow,
                stroke=INK if is_new else GREY,
                width=2.6 if is_new else 1,
                dashed=one.separated_by is Separator.NOTHING,
            )
        drawing.dots([(x, y) for x in places.values()], hollow=True)
        created = sum((one.part_number, one.other) in fresh for one in several)
        said.append(f"{core}: {len(several)} pairs of {len(places)} parts, {created} of them new.")
        y += 16
    if not pairs:
        drawing.text(12, y, "none", fill=GREY)
        said.append("There are none.")
        y += 12
    if len(by_core) > MOST_CORES:
        drawing.text(12, y + 14, f"and {len(by_core) - MOST_CORES} more cores", size=12, fill=GREY)
        y += 18
    return drawing.finish(y + 14, " ".join(said))
