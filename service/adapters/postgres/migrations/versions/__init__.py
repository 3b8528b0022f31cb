"""One module a revision; each only names its SQL file and its predecessor."""
