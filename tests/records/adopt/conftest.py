"""Sheets as makers keep them, and a user's configuration of their own for each test."""

import importlib.util
import shutil
from pathlib import Path

import pytest

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(autouse=True)
def configuration(tmp_path, monkeypatch):
    """Keep the list of adopted sheets in a folder of this test."""
    folder = tmp_path / "configuration"
    monkeypatch.setattr("reedlab.records.read.files_elsewhere.user_folder", lambda: folder)
    return folder


@pytest.fixture(scope="session")
def truth():
    """The reeds that every stored sheet is about, as tests/reference/own_sheets.py wrote them."""
    spec = importlib.util.spec_from_file_location("own_sheets", REFERENCE / "own_sheets.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def sheet(tmp_path):
    """Copy a stored sheet into a folder of this test, and return it."""

    def copied(name):
        (tmp_path / "sheets").mkdir(exist_ok=True)
        return Path(shutil.copy(REFERENCE / "own_sheets" / name, tmp_path / "sheets"))

    return copied
