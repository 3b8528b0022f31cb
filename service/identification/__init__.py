"""Pure: readings and a catalogue table in; posterior, decision, evidence and next reading out.

No I/O, no clock, no randomness: the same readings and catalogue give the same answer every time.
"""
