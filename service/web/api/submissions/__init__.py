"""Submissions: readings in, the answer out, more readings, and the chart."""
