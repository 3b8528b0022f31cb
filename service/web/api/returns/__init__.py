"""A customer's own way back to a case."""
