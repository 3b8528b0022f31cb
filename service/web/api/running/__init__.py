"""Running it: health, metrics, and the document that describes the rest."""
