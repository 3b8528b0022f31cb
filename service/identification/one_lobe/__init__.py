"""The integrals over the own truth of one lobe, or of one journal."""
