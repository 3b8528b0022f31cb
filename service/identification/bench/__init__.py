"""What a bench finds: the lobe beside its part, valve timing in an engine, the drift of a zero."""
