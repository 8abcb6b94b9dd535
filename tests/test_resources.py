"""The data folders are found in a checkout and in an installed package."""

from __future__ import annotations

from pathlib import Path

import pytest

from codegen import resources
from codegen.errors import LoopwrightError


def test_checkout_has_both_folders() -> None:
    """In the repository the folders lie at its top."""
    assert (resources.targets_folder() / "cortex-m4.toml").is_file()
    assert resources.templates_folder().name == "c_templates"


def test_installed_package_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Data inside the package wins over a folder that happens to lie beside it."""
    inside = tmp_path / "codegen" / "data" / "targets"
    inside.mkdir(parents=True)
    (tmp_path / "targets").mkdir()
    monkeypatch.setattr(resources, "_PACKAGE", tmp_path / "codegen")
    assert resources.targets_folder() == inside


def test_missing_folder_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package without its data says so."""
    monkeypatch.setattr(resources, "_PACKAGE", tmp_path / "codegen")
    with pytest.raises(LoopwrightError, match="c_templates is missing"):
        resources.templates_folder()
