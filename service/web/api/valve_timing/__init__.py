"""Valve timing read in an engine, worked out."""
