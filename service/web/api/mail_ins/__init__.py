"""Shafts that are posted in: announced, received, measured, reported, returned."""
