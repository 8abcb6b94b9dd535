"""The command line: arguments in, tables and exit status out; the only part that prints."""

from codegen.cli.main import main

__all__ = ["main"]
