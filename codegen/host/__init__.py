"""The host side: compile C text with the machine's compiler and call it from Python."""
