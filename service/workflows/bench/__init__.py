"""Shafts that are posted in, the instruments they are measured with, and their lift tables."""
