"""``python -m codegen`` is ``loopwright``."""

from codegen.cli import main

main()
