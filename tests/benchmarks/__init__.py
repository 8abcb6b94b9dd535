"""Measured comparisons, run by hand: figures, no pass or fail."""
