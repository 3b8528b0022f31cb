"""The measuring guide: how each reading is taken, the usual mistakes, and how often to repeat it.

What is said here of hands and tools is common practice in the trade, no source, unless the drawing beside it works it
out. How far each mistake reaches is in `service/identification/measuring/model.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.documents import guide_drawings as draw
from service.documents.guide_drawings import GuideDrawing
from service.domain.readings import TOOLS_FOR, Feature, Instrument

GEAR_TEETH = "gear_teeth"


@dataclass(frozen=True)
class GuideEntry:
    """How one reading is taken. `repeats` is how often, `why_repeats` what that is for."""

    feature: str
    title: str
    steps: tuple[str, ...]
    mistakes: tuple[str, ...]
    repeats: int
    why_repeats: str
    drawings: tuple[GuideDrawing, ...]

    @property
    def tools(self) -> tuple[Instrument, ...]:
        """The tools that can take it; none for a count."""
        return () if self.feature == GEAR_TEETH else TOOLS_FOR[Feature(self.feature)]


BEFORE_YOU_BEGIN = (
    "Engine cold, spark lead off, fuel shut, before any cover comes off. Nothing is measured on a turning engine.",
    "Edges are sharp and solvents harm: gloves and glasses. Wipe the shaft and the jaws clean and dry.",
    "Write down every digit the tool shows, the last nought too: it says how finely you read.",
    "Never choose the reading you like best. Write all of them down.",
)

_HAND = "Let go and begin again each time: repeats show your own hand's scatter, and their mean is steadier than one."
_NEVER_THE_ZERO = " They never show the tool's zero: take the zero check for that."


def guide() -> tuple[GuideEntry, ...]:
    """Every reading, in the order in which the desk asks for it."""
    return (
        GuideEntry(
            "zero_check",
            "Zero check",
            (
                "Wipe both jaws and close them gently.",
                "Do not press the zero button: say what the tool shows, with its sign.",
                "Or measure a gauge of known size, and say that size too.",
            ),
            ("Zeroing the tool and reporting 0: then a worn or dirty jaw stays hidden.",),
            1,
            "One is enough: what it shows is the same in every reading of that tool.",
            draw.zero_check(),
        ),
        GuideEntry(
            "journal_diameter",
            "Journal diameter",
            (
                "Find the bearing surfaces: bright, round bands. The front one is at the gear.",
                "Close the jaws across the middle of the band, square to the shaft.",
                "Turn the shaft a quarter and read again.",
            ),
            (
                "Reading in the oil groove or on the chamfer: too small.",
                "Jaws tilted along the shaft: too large.",
            ),
            2,
            _HAND + _NEVER_THE_ZERO,
            draw.journal_diameter(),
        ),
        GuideEntry(
            "lobe_height",
            "Lobe height",
            (
                "Close the jaws on nose and heel.",
                "Rock the shaft a little to and fro between them, and take the largest width.",
                "Keep the jaws straight across the shaft.",
            ),
            (
                "Jaws not square to the nose: too small, and the sharper the nose the more.",
                "Calling it the base circle, or the exhaust lobe the intake.",
            ),
            3,
            _HAND,
            draw.lobe_height(),
        ),
        GuideEntry(
            "base_circle",
            "Base circle",
            (
                "Turn the lobe until its nose stands midway between the jaws.",
                "Close the jaws on the round part and rock the shaft; take the smallest width.",
            ),
            (
                "A jaw on a ramp or a flank: too large, so that the lift comes out too small.",
                "A lobe whose whole event is longer than half a turn has no place for both jaws: say so, and use an "
                "indicator.",
            ),
            3,
            _HAND,
            draw.base_circle(),
        ),
        GuideEntry(
            "flank_width",
            "Flank width",
            (
                "Print the right-angle card, or fold one; hold its corner over the middle of the shaft, its middle "
                "line through the nose.",
                "Measure across the lobe with the jaws 45 degrees to one side of the nose, then to the other.",
                "Say which is which, or give the mean of both.",
            ),
            ("Guessing the angle: a few degrees change the width.",),
            2,
            _HAND,
            draw.flank_width(),
        ),
        GuideEntry(
            "lobe_lift",
            "Lobe lift by indicator",
            (
                "Shaft in V-blocks, indicator square on the lobe.",
                "Zero it on the heel, turn the shaft by hand, read the most it shows.",
                "Turn on to the heel: it has to come back to zero.",
            ),
            (
                "Reading at the valve and calling it lobe lift.",
                "An indicator that leans: it shows too much.",
            ),
            2,
            _HAND,
            draw.lobe_lift(),
        ),
        GuideEntry(
            "valve_lift",
            "Valve lift",
            (
                "In the engine, by hand only, indicator on the valve's end.",
                "Say the rocker ratio and the lash, or that the lift is gross: without lash.",
            ),
            ("Leaving out ratio or lash: the number then says little.",),
            2,
            _HAND,
            draw.valve_lift(),
        ),
        GuideEntry(
            "duration",
            "Duration",
            (
                "Degree wheel and indicator; turn in the running direction only, by hand.",
                "Read the wheel where the lift passes the checking lift going up, and again going down.",
                "Say the checking lift, whose degrees, and whether at the lobe or at the valve.",
            ),
            (
                "No checking lift: the number means nothing without it.",
                "Cam degrees called crank degrees: the crank turns twice as far.",
            ),
            2,
            _HAND + " Turning back and forth lets slack into the chain or the gear.",
            draw.duration(),
        ),
        GuideEntry(
            "valve_event",
            "Opening and closing",
            (
                "Set the wheel to zero at top dead centre, found with a piston stop.",
                "Read degrees after it; before it, with a minus.",
            ),
            ("A wheel that has slipped: check zero again at the end.",),
            2,
            _HAND,
            draw.valve_event(),
        ),
        GuideEntry(
            "lobe_separation",
            "Lobe separation",
            (
                "Find each lobe's centre: midway between two equal lifts, up and down.",
                "Count the cam degrees between the two; halve what the crank turned.",
            ),
            ("Taking the nose by feel: it is too flat for that.",),
            2,
            _HAND,
            draw.lobe_separation(),
        ),
        GuideEntry(
            "overall_length",
            "Overall length",
            ("Measure from end face to end face, straight along the shaft.",),
            ("Leaving out a nose or a gear that belongs to the shaft.",),
            1,
            "One is enough: cores differ by far more than this reading scatters.",
            draw.overall_length(),
        ),
        GuideEntry(
            GEAR_TEETH,
            "Gear teeth",
            ("Mark a tooth, and count once round.",),
            ("Counting the marked tooth twice.",),
            2,
            "Count twice: two counts that agree are right.",
            draw.gear_teeth(),
        ),
    )
