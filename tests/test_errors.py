"""An error of reedlab's own is one sentence in a notebook, and an ordinary traceback elsewhere."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from IPython.core.interactiveshell import InteractiveShell

import reedlab as rl

CAUSE = """
import pandas as pd, reedlab as rl
rl.fit("good ~ colour + (1 | lot)", pd.DataFrame({"good": [0, 1], "lot": ["a", "b"]}), "binomial")
"""
SENTENCE = "names 'colour', which is not a column of the data."


@pytest.fixture
def shown(monkeypatch, tmp_path, capsys):
    """What IPython shows of a cell's error, line by line, without colours."""
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    shell = InteractiveShell.instance()

    def run(cell: str, error: type[Exception]) -> list[str]:
        assert isinstance(shell.run_cell(cell).error_in_exec, error)
        text = "".join(capsys.readouterr())
        return re.sub(r"\x1b\[[\d;]*m", "", text).strip().splitlines()

    yield run
    InteractiveShell.clear_instance()


def test_ipython_shows_the_sentence_alone(shown):
    (line,) = shown(CAUSE, rl.FormulaError)
    assert line.startswith("FormulaError: ") and line.endswith(SENTENCE)


def test_ipython_shows_other_errors_as_it_does(shown):
    lines = shown("def halve(x):\n    return x / 0\nhalve(1)", ZeroDivisionError)
    assert any("return x / 0" in line for line in lines) and "Traceback" in lines[1]


def test_python_shows_its_whole_traceback():
    done = subprocess.run([sys.executable, "-c", CAUSE], capture_output=True, text=True)
    lines = done.stderr.strip().splitlines()
    assert lines[0] == "Traceback (most recent call last):"
    assert any("fitting.py" in line for line in lines)
    assert lines[-1].startswith("reedlab.errors.FormulaError: ") and lines[-1].endswith(SENTENCE)
