"""A submission as numbers with their errors: as it was written, and as it was meant under each slip."""
