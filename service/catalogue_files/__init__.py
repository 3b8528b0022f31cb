"""Reads a catalogue as suppliers keep it (JSON, CSV) into domain values, naming every bad row and why.

Pure: text in, a `Catalogue` or a list of faults out. The HTTP route for revisions uses the same reader.
"""
