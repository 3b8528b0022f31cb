"""The guide's drawings: how a reading is taken, and how not, on a lobe of true shape."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, radians, sin

from service.documents.guide_geometry import BASE_RADIUS_MM, LIFT_MM, half_duration_deg, jaws, turned
from service.documents.guide_picture import Picture

OFF_THE_NOSE_DEG, ON_THE_FLANK_DEG, FLANK_DEG = 24.0, 62.0, 45.0
CHECKING_LIFT_MM, SEPARATION_CAM_DEG, TEETH = 1.27, 108.0, 28


_FRAMES = {
    90.0: (2.9, (120.0, 92.0)),
    ON_THE_FLANK_DEG: (2.9, (120.0, 92.0)),
    FLANK_DEG: (2.5, (132.0, 82.0)),
    -FLANK_DEG: (2.5, (122.0, 108.0)),
}
"""Scale and middle that keep the caliper in the picture, by the angle of the jaws."""


@dataclass(frozen=True)
class GuideDrawing:
    """A drawing, what it shows in words, and whether it shows the right way."""

    svg: str
    description: str
    right: bool


def _on_a_lobe(at_deg: float, description: str, *, right: bool) -> GuideDrawing:
    found = jaws(at_deg)
    scale, middle = _FRAMES.get(at_deg, (2.9, (128.0, 100.0)))
    picture = Picture(scale, middle)
    picture.lobe()
    picture.caliper(found)
    along = 90 + at_deg
    picture.arrow(turned((-found.far_mm, -11.5), along), turned((found.near_mm, -11.5), along))
    picture.right() if right else picture.wrong()
    return GuideDrawing(picture.finish(description), description, right)


def lobe_height() -> tuple[GuideDrawing, ...]:
    """Square to the nose; and off it, where it reads small."""
    low = jaws(0).width_mm - jaws(OFF_THE_NOSE_DEG).width_mm
    return (
        _on_a_lobe(0, "The jaws close on nose and heel, square to the line through both.", right=True),
        _on_a_lobe(
            OFF_THE_NOSE_DEG,
            f"The jaws stand {OFF_THE_NOSE_DEG:.0f} degrees off the nose: this lobe reads {low:.1f} mm small.",
            right=False,
        ),
    )


def base_circle() -> tuple[GuideDrawing, ...]:
    """Across the round part; and with one jaw on a flank, where it reads large."""
    high = jaws(ON_THE_FLANK_DEG).width_mm - jaws(90).width_mm
    return (
        _on_a_lobe(90, "The jaws close on the round part, nose midway between them.", right=True),
        _on_a_lobe(
            ON_THE_FLANK_DEG,
            f"One jaw has crept on to the flank: this lobe reads {high:.1f} mm large.",
            right=False,
        ),
    )


def flank_width() -> tuple[GuideDrawing, ...]:
    """The two positions, a right angle apart, the nose in the middle of it."""
    return tuple(
        _on_a_lobe(side * FLANK_DEG, f"The jaws stand {FLANK_DEG:.0f} degrees to the {name} of the nose.", right=True)
        for side, name in ((1, "left"), (-1, "right"))
    )


def _shaft_end(picture: Picture) -> None:
    picture.box(-30, -6, -14, 6)
    picture.solid((-14, -9), (-12.8, -10.2), (14, -10.2), (15.2, -9), (15.2, 9), (14, 10.2), (-12.8, 10.2), (-14, 9))
    picture.box(4, -9, 7, 9, shade="0.35")
    picture.box(15.2, -6, 30, 6)


def journal_diameter() -> tuple[GuideDrawing, ...]:
    """On the bright band; and in the oil groove."""
    drawings = []
    for place, radius, description, right in (
        (-5.0, 10.2, "The jaws close on the bright band, clear of groove and chamfer.", True),
        (5.5, 9.0, "The jaws close in the oil groove: this reads small.", False),
    ):
        picture = Picture(3.4, (120, 80))
        _shaft_end(picture)
        for side in (1, -1):
            picture.box(place - 0.9, side * radius, place + 0.9, side * (radius + 5), shade="0.4")
        picture.line((place, radius + 5), (place + 18, radius + 5), (place + 18, -radius - 5), (place, -radius - 5))
        picture.right() if right else picture.wrong()
        drawings.append(GuideDrawing(picture.finish(description), description, right))
    return tuple(drawings)


def zero_check() -> tuple[GuideDrawing, ...]:
    """Jaws wiped and closed."""
    description = "The jaws are wiped and closed on nothing; the display is read as it stands."
    picture = Picture(3.4, (95, 110))
    picture.box(-16, 12, 36, 18, shade="0.25")
    for outwards in (1, -1):
        picture.solid((0, 18), (outwards * 4, 18), (outwards * 4, 0), (0, -16), shade="0.4")
    picture.box(4, 10, 24, 20, shade="0.1")
    picture.box(8, 12.5, 21, 17.5, shade="0")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def overall_length() -> tuple[GuideDrawing, ...]:
    """End to end."""
    description = "The whole shaft is measured, from one end face to the other."
    picture = Picture(3.4, (120, 80))
    for left, right, radius in ((-32, -27, 7), (-27, -17, 5), (-12, 12, 3), (17, 27, 5), (27, 32, 5)):
        picture.box(left, -radius, right, radius)
    for left in (-17, 12):
        picture.box(left, -5, left + 5, 9)
    picture.arrow((-32, -13), (32, -13))
    for x in (-32, 32):
        picture.line((x, -9), (x, -16))
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def _indicator(picture: Picture, tip_mm: float) -> None:
    picture.line((0, tip_mm), (0, tip_mm + 5), stroke_width="3")
    picture.circle((0, tip_mm + 9.5), 4.5, fill="currentColor", fill_opacity="0.1")
    picture.line((0, tip_mm + 9.5), (2.4, tip_mm + 12))


def lobe_lift() -> tuple[GuideDrawing, ...]:
    """Zero on the heel; the most at the nose."""
    drawings = []
    for nose, tip, description in (
        (-90.0, BASE_RADIUS_MM, "The indicator rests on the heel, and is set to zero there."),
        (90.0, BASE_RADIUS_MM + LIFT_MM, "The shaft is turned until the indicator shows the most: the nose."),
    ):
        picture = Picture(3.0, (120, 105))
        picture.lobe(nose)
        _indicator(picture, tip)
        picture.right()
        drawings.append(GuideDrawing(picture.finish(description), description, True))
    return tuple(drawings)


def valve_lift() -> tuple[GuideDrawing, ...]:
    """The rocker makes more of it."""
    description = "The indicator stands on the valve's end of the rocker, whose arms make the lift larger or smaller."
    picture = Picture(2.4, (85, 118))
    picture.lobe()
    top = BASE_RADIUS_MM + LIFT_MM
    picture.line((0, top), (12, top + 4), (30, top - 2), stroke_width="5")
    picture.circle((12, top + 4), 2)
    picture.line((30, top - 2), (30, top - 26), stroke_width="3")
    picture.line((26, top - 26), (34, top - 26), stroke_width="4")
    picture.line((44, top + 2), (30, top - 2))
    picture.circle((48, top + 5), 5, fill="currentColor", fill_opacity="0.1")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def _wheel(picture: Picture) -> None:
    for degrees in range(0, 360, 10):
        a = radians(degrees)
        inner = 22.5 if degrees % 90 else 21
        picture.line((inner * cos(a), inner * sin(a)), (24 * cos(a), 24 * sin(a)), stroke_width="1")
    picture.circle((0, 0), 24)


def duration() -> tuple[GuideDrawing, ...]:
    """The part of the turn above the checking lift."""
    half = half_duration_deg(CHECKING_LIFT_MM)
    description = (
        f"The heavy arc is the part of the turn in which the follower is above the checking lift: on this lobe "
        f"{2 * half:.0f} cam degrees, {4 * half:.0f} crank degrees."
    )
    picture = Picture(2.9, (120, 85))
    _wheel(picture)
    picture.lobe()
    picture.arc(24, 90 - half, 90 + half, stroke_width="5")
    for side in (1, -1):
        picture.line((0, 0), turned((26, 0), 90 + side * half), stroke_dasharray="4 3")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def valve_event() -> tuple[GuideDrawing, ...]:
    """A moment of the turn, counted from top dead centre."""
    description = (
        "The wheel is set to zero at top dead centre; the angle is read when the valve reaches the checking lift."
    )
    picture = Picture(2.9, (120, 85))
    _wheel(picture)
    picture.line((0, 24), (0, 28), stroke_width="4")
    picture.line((0, 0), turned((24, 0), 90 + 36), stroke_width="3")
    picture.line((0, 0), (0, 24), stroke_dasharray="4 3")
    picture.arc(14, 90, 90 + 36, stroke_width="4")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def lobe_separation() -> tuple[GuideDrawing, ...]:
    """From centre to centre."""
    half = SEPARATION_CAM_DEG / 2
    description = (
        f"The angle from one lobe's centre to the other's, on the cam itself: here {SEPARATION_CAM_DEG:.0f} degrees."
    )
    picture = Picture(2.9, (120, 105))
    for side in (1, -1):
        picture.lobe(90 + side * half)
        picture.line((0, 0), turned((27, 0), 90 + side * half), stroke_dasharray="4 3")
    picture.arc(22, 90 - half, 90 + half, stroke_width="4")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)


def gear_teeth() -> tuple[GuideDrawing, ...]:
    """All round, from a marked tooth."""
    description = "The first tooth is marked; counting goes round once and ends before the mark."
    picture = Picture(3.0, (120, 85))
    corners = []
    for tooth in range(TEETH):
        for share, radius in ((0.0, 19.0), (0.3, 19.0), (0.38, 22.5), (0.62, 22.5), (0.7, 19.0)):
            a = pi / 2 - 2 * pi * (tooth + share - 0.5) / TEETH
            corners.append((radius * cos(a), radius * sin(a)))
    picture.solid(*corners)
    picture.circle((0, 0), 6)
    picture.circle((0, 24.6), 1.2, fill="currentColor")
    picture.arc(14, 80, -240, stroke_width="2.4")
    picture.right()
    return (GuideDrawing(picture.finish(description), description, True),)
