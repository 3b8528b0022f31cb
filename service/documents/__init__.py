"""Pure rendering: what the service knows, as charts and text for people."""
