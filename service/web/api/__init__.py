"""The JSON API, one folder a subject: its routes and the schemas beside them."""
