"""The one likelihood function, and what the readings of one shaft share."""
