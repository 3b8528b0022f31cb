"""The words of the trade as small typed values, units, state machines, and our errors.

Nothing here computes a probability, reads a file or knows about HTTP.
"""
