"""A picture of the guide: SVG without words, script or style, in the colour of the text round it.

What it shows is said by `aria-label`, so that the same picture serves in every language. Coordinates are millimetres
about the middle, y upwards.
"""

from __future__ import annotations

from math import cos, radians, sin
from xml.etree import ElementTree as ET

from service.documents.guide_geometry import Jaws, Point, outline, turned
from service.documents.svg import number

WIDTH, HEIGHT = 240.0, 170.0
_JAW_MM, _BEAM_MM, _REACH_MM = 3.0, 4.0, 16.0


class Picture:
    """`scale` user units to the millimetre; `middle` is where (0, 0) is, in user units."""

    def __init__(self, scale: float = 3.6, middle: Point = (WIDTH / 2, HEIGHT / 2)) -> None:
        self._scale, self._middle = scale, middle
        self._root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {number(WIDTH)} {number(HEIGHT)}",
                "role": "img",
                "fill": "none",
                "stroke": "currentColor",
                "stroke-width": "1.6",
                "stroke-linejoin": "round",
            },
        )

    def _at(self, point: Point) -> Point:
        return self._middle[0] + point[0] * self._scale, self._middle[1] - point[1] * self._scale

    def _add(self, tag: str, **attributes: str) -> None:
        ET.SubElement(self._root, tag, {name.replace("_", "-"): value for name, value in attributes.items()})

    def line(self, *points: Point, closed: bool = False, **attributes: str) -> None:
        """A line through points."""
        path = "L".join(f"{number(x)} {number(y)}" for x, y in map(self._at, points))
        self._add("path", d=f"M{path}{'Z' if closed else ''}", **attributes)

    def solid(self, *points: Point, shade: str = "0.14") -> None:
        """A closed figure, shaded."""
        self.line(*points, closed=True, fill="currentColor", fill_opacity=shade)

    def box(self, left: float, bottom: float, right: float, top: float, shade: str = "0.14") -> None:
        """An upright rectangle, shaded."""
        self.solid((left, bottom), (right, bottom), (right, top), (left, top), shade=shade)

    def circle(self, middle: Point, radius_mm: float, **attributes: str) -> None:
        """A circle."""
        x, y = self._at(middle)
        self._add("circle", cx=number(x), cy=number(y), r=number(radius_mm * self._scale), **attributes)

    def arc(self, radius_mm: float, from_deg: float, to_deg: float, **attributes: str) -> None:
        """Part of a circle about the middle, counter-clockwise."""
        steps = max(2, int(abs(to_deg - from_deg) / 3))
        angles = [radians(from_deg + (to_deg - from_deg) * i / steps) for i in range(steps + 1)]
        self.line(*((radius_mm * cos(a), radius_mm * sin(a)) for a in angles), closed=False, **attributes)

    def arrow(self, start: Point, end: Point) -> None:
        """A line with a head at both ends: the size that is meant."""
        self.line(start, end)
        length = ((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2) ** 0.5
        ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
        head = 7 / self._scale
        for tip, sign in ((start, 1), (end, -1)):
            back = (tip[0] + sign * ux * head, tip[1] + sign * uy * head)
            side = (-uy * head * 0.4, ux * head * 0.4)
            corners = ((back[0] + side[0], back[1] + side[1]), tip, (back[0] - side[0], back[1] - side[1]))
            self.line(*corners, closed=True, fill="currentColor")

    def lobe(self, nose_deg: float = 90.0) -> None:
        """The lobe, its nose towards `nose_deg`, with the shaft's axis."""
        self.solid(*(turned(point, nose_deg) for point in outline()))
        self.line((-1.4, 0), (1.4, 0))
        self.line((0, -1.4), (0, 1.4))

    def caliper(self, jaws: Jaws, nose_deg: float = 90.0, *, beam: int = 1) -> None:
        """A caliper on the lobe, its beam on the left (1) or on the right (-1) as seen along the jaws."""
        along = nose_deg + jaws.at_deg
        edge = _REACH_MM * beam

        def place(u: float, v: float) -> Point:
            return turned((u, v * beam), along)

        for face, outwards in ((jaws.near_mm, 1), (-jaws.far_mm, -1)):
            self.solid(
                place(face, -_REACH_MM * 0.55),
                place(face + outwards * _JAW_MM * 0.5, -_REACH_MM * 0.55),
                place(face + outwards * _JAW_MM, _REACH_MM + _BEAM_MM),
                place(face, _REACH_MM + _BEAM_MM),
                shade="0.4",
            )
        low, high = -jaws.far_mm - _JAW_MM, jaws.near_mm + _JAW_MM
        beam_at = abs(edge)
        corners = (
            (low - 2, beam_at),
            (high + 6, beam_at),
            (high + 6, beam_at + _BEAM_MM),
            (low - 2, beam_at + _BEAM_MM),
        )
        self.solid(*(place(u, v) for u, v in corners), shade="0.25")

    def right(self) -> None:
        """A tick in the corner: this is how."""
        self._add("circle", cx="20", cy="20", r="13")
        self._add("path", d="M13 20.5L18 26L27.5 14.5", stroke_width="3")

    def wrong(self) -> None:
        """A cross in the corner: not so."""
        self._add("circle", cx="20", cy="20", r="13")
        self._add("path", d="M14 14L26 26M26 14L14 26", stroke_width="3")

    def finish(self, description: str) -> str:
        """The SVG text."""
        self._root.set("aria-label", description)
        return ET.tostring(self._root, encoding="unicode")
