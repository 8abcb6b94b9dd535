"""Native code: compile C text with this machine's compiler and open it."""
