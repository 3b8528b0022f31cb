"""What is done at the terminal: one module for each command or group of them. `cli.py` puts them together."""
