"""What confirmed cases teach: of how callers measure, of what they have, and of faults in the catalogue."""
