"""Loopwright: from bench measurements of a small balancing machine to proven fixed-point C."""
