"""The cautions that go with every answer; this is the one home of their words.

They are the usual ones of the trade, and defer to the engine maker's manual, local rules and qualified people.
"""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "This says which grind the shaft most likely is. It does not say that the shaft is fit to run, or that it suits "
    "your engine.",
    "Before the engine is turned over or started, have a qualified engine builder check valve-to-piston clearance, "
    "coil bind, retainer-to-guide clearance, lash and timing, by the engine maker's manual and local rules.",
    "Before a cover comes off: engine cold, spark lead off, fuel shut. Never measure on an engine that is turning.",
    "Edges are sharp and solvents harm skin and eyes: wear gloves and safety glasses.",
    "A shaft with cracks, pitting or weld repair must not be run on the strength of an identification.",
)
"""Shown whole and in this order: in every answer, chart page, letter and e-mail."""
