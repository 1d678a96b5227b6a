"""The data files that ship with keydiag are found, and a missing one is told by name."""

import pytest

from keydiag import resources
from keydiag.errors import KeydiagError


def test_shipped_files_are_found():
    assert resources.shared("chips.toml").is_file()
    assert resources.fixture("bramblewick-left.toml").is_file()


def test_an_installed_copy_comes_first(tmp_path, monkeypatch):
    for folder in ("keydiag/_shared", "shared"):  # a stranger's "shared" beside the package
        (tmp_path / folder).mkdir(parents=True)
        (tmp_path / folder / "chips.toml").touch()
    monkeypatch.setattr(resources, "_PACKAGE", tmp_path / "keydiag")
    assert resources.shared("chips.toml") == tmp_path / "keydiag/_shared/chips.toml"


def test_a_missing_file_is_told_by_name():
    with pytest.raises(KeydiagError, match="shared/none.toml: this file should have come with"):
        resources.shared("none.toml")
