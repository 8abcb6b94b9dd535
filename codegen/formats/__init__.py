"""Formats: word and scale of every signal, chosen under a target's word rules and an error budget, with proven ranges."""

from codegen.formats.choose import choose_formats

__all__ = ["choose_formats"]
