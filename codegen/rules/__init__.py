"""Readings of a signal graph: one table per meaning, one rule per node kind; every table is total or its import fails."""
