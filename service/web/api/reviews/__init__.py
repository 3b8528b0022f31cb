"""The human queue: cases put before a person."""
