"""The emitted controller on this machine: compiled, run in batches, put at the simulator's controls."""
