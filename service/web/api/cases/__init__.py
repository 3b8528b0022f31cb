"""Whole cases, for the desk: finding them, and what is done with one beside its readings."""
