"""Which parts a kit of tools cannot tell apart."""
