"""Broken build files with the message that each must get."""
