"""Lift tables from a bench: worked out, compared with the catalogue, and drawn."""
