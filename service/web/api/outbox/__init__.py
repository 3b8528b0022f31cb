"""The outbox as staff see it: what waits, what was sent, what failed for good."""
