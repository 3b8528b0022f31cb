"""Everything HTTP: the JSON API, who may call what, and how an error looks."""
