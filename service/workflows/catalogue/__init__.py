"""The life of the catalogue: read, looked at before it is published, imported, edited, gone back to."""
