"""How often Python looks for rings of garbage."""

from __future__ import annotations

import gc

OBJECTS_BETWEEN_LOOKS = 50_000
"""Python's own 700 has it look a thousand times while a catalogue of 10,000 parts is loaded, of which it keeps
everything: that took longer than the loading itself (`tests.benchmarks.catalogue_life`)."""


def collect_seldom() -> None:
    """Leave what is there out of every later look, and look more seldom. Call it once a process has been built."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(OBJECTS_BETWEEN_LOOKS, 20, 20)
