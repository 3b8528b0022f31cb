"""Densities, and rows of numbers told apart: nothing of the trade."""
