"""How to take each reading, with drawings."""
