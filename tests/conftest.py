"""The option that renews golden files, and the check that compares with them."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Declare ``--update-golden``."""
    parser.addoption("--update-golden", action="store_true", help="write golden files anew instead of comparing with them")


@pytest.fixture
def check_golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare a text with a file of ``tests/golden``, or write it under ``--update-golden``."""

    def check(name: str, text: str) -> None:
        path = GOLDEN / name
        if request.config.getoption("--update-golden"):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
            return
        wanted = path.read_text(encoding="utf-8") if path.exists() else ""
        if text != wanted:
            lines = difflib.unified_diff(wanted.splitlines(), text.splitlines(), f"golden/{name}", "emitted now", lineterm="")
            shown = "\n".join(lines)
            pytest.fail(f"{shown}\nif this is meant, renew it: python -m pytest -n 0 --update-golden {request.node.nodeid}")

    return check
