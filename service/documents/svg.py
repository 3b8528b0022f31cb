"""Small pieces of SVG, for drawings that must stand alone.

No script, no style sheet (a strict content policy would refuse it), no font of our own, and nothing but black, white
and greys. Text is escaped by the XML writer; characters that XML 1.0 does not allow become U+FFFD.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from xml.etree import ElementTree as ET

INK = "#111111"
GREY = "#555555"
RULE = "#999999"
FAINT = "#dddddd"
BAND = "#ececec"
PAPER = "#ffffff"

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def clean(text: str) -> str:
    """`text` with what XML 1.0 cannot hold replaced."""
    return _NOT_XML.sub("�", text)


def number(value: float) -> str:
    """A coordinate, to a hundredth, without needless zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


_ROUND = (1.0, 2.0, 2.5, 5.0, 10.0)


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values from `low` to `high`, at most `about` and one of them."""
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = min((each * power for each in _ROUND if each * power >= rough), default=10 * power)
    return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _points(*corners: tuple[float, float]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in corners)


class Drawing:
    """A picture of `width` units that grows downwards; `finish` gives the SVG text."""

    def __init__(self, width: float, title: str) -> None:
        self.width = width
        self._root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "role": "img",
                "aria-labelledby": "chart-title",
                "aria-describedby": "chart-description",
                "font-family": "system-ui, -apple-system, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif",
                "fill": INK,
            },
        )
        ET.SubElement(self._root, "title", {"id": "chart-title"}).text = clean(title)
        self._description = ET.SubElement(self._root, "desc", {"id": "chart-description"})
        self._paper = self._add("rect", x=0, y=0, width=width, height=0, fill=PAPER)

    def _add(self, tag: str, **attributes: str | float) -> ET.Element:
        said = {
            name.rstrip("_").replace("_", "-"): value if isinstance(value, str) else number(value)
            for name, value in attributes.items()
        }
        return ET.SubElement(self._root, tag, said)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 13,
        anchor: str = "start",
        bold: bool = False,
        fill: str = INK,
    ) -> None:
        """Words with their baseline at (x, y); `anchor` is start, middle or end."""
        attributes: dict[str, str | float] = {"x": x, "y": y, "font_size": size, "fill": fill}
        if anchor != "start":
            attributes["text_anchor"] = anchor
        if bold:
            attributes["font_weight"] = "bold"
        self._add("text", **attributes).text = clean(words)

    def line(self, x1: float, y1: float, x2: float, y2: float, *, stroke: str = INK, width: float = 1) -> None:
        """A straight line."""
        self._add("line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=stroke, stroke_width=width)

    def curve(
        self, corners: Sequence[tuple[float, float]], *, stroke: str = INK, width: float = 1.5, dashed: bool = False
    ) -> None:
        """A line through points, one after another."""
        more: dict[str, str | float] = {"stroke_dasharray": "6 4"} if dashed else {}
        self._add("polyline", points=_points(*corners), fill="none", stroke=stroke, stroke_width=width, **more)

    def area(self, corners: Sequence[tuple[float, float]], *, fill: str) -> None:
        """A filled shape through points."""
        self._add("polygon", points=_points(*corners), fill=fill)

    def dots(self, places: Sequence[tuple[float, float]], *, hollow: bool = False) -> None:
        """Small discs, for single readings; `hollow` for those that were left out."""
        for x, y in places:
            if hollow:
                self._add("circle", cx=x, cy=y, r=3, fill=PAPER, stroke=INK, stroke_width=1.2)
            else:
                self._add("circle", cx=x, cy=y, r=1.4, fill=GREY)

    def box(self, x: float, y: float, width: float, height: float, *, fill: str) -> None:
        """A filled rectangle."""
        self._add("rect", x=x, y=y, width=width, height=height, fill=fill)

    def mark(self, x: float, y: float, kind: int) -> None:
        """One of four marks of equal weight, told apart by shape and filling: disc, square, triangle, cross."""
        r = 4.6
        if kind == 0:
            self._add("circle", cx=x, cy=y, r=r, fill=INK)
        elif kind == 1:
            self._add(
                "rect",
                x=x - r + 0.6,
                y=y - r + 0.6,
                width=2 * r - 1.2,
                height=2 * r - 1.2,
                fill=PAPER,
                stroke=INK,
                stroke_width=1.8,
            )
        elif kind == 2:
            corners = _points((x, y - r), (x + r, y + r - 0.6), (x - r, y + r - 0.6))
            self._add("polygon", points=corners, fill=GREY, stroke=INK, stroke_width=1)
        else:
            path = f"M{number(x - r + 1)} {number(y - r + 1)}L{number(x + r - 1)} {number(y + r - 1)}"
            path += f"M{number(x - r + 1)} {number(y + r - 1)}L{number(x + r - 1)} {number(y - r + 1)}"
            self._add("path", d=path, fill="none", stroke=INK, stroke_width=2.2)

    def arrow(self, x: float, y: float, direction: int) -> None:
        """A small head that points beyond the edge: `direction` -1 to the left, +1 to the right."""
        back = x - 5 * direction
        self._add("polygon", points=_points((x, y), (back, y - 4), (back, y + 4)), fill=INK)

    def finish(self, height: float, description: str) -> str:
        """The SVG text, `height` units tall, with `description` for those who cannot see it."""
        self._description.text = clean(description)
        self._paper.set("height", number(height))
        self._root.set("viewBox", f"0 0 {number(self.width)} {number(height)}")
        self._root.set("width", number(self.width))
        self._root.set("height", number(height))
        return ET.tostring(self._root, encoding="unicode") + "\n"
