"""The stored notebooks keep to the rules, and the rules notice a notebook that does not.

nbval runs them again and compares what they print; it passes a cell that was never executed, so
that is asked here.
"""

from __future__ import annotations

import copy
import importlib.util
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location(
    "notebook_rules", Path(__file__).with_name("rules.py")
)
assert _SPEC is not None and _SPEC.loader is not None
rules = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rules)

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))


def test_the_four_first_questions_have_notebooks():
    names = [path.stem for path in NOTEBOOKS]
    assert {"01-records", "02-success", "03-scrape-time", "04-suppliers"} <= {*names}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_stored_notebook_has_no_fault(path):
    assert rules.faults(rules.load(path)) == []


def _last_code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"][-1]


def _unexecuted(notebook):
    _last_code(notebook).execution_count = None


def _out_of_order(notebook):
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    code[0].execution_count, code[1].execution_count = 2, 1


def _output(**data):
    return lambda notebook: _last_code(notebook).outputs.append(
        rules.nbformat.v4.new_output("display_data", data=data)
    )


def _failing(notebook):
    _last_code(notebook).outputs.append(
        rules.nbformat.v4.new_output("error", ename="E", evalue="no", traceback=[])
    )


def _complaining(notebook):
    _last_code(notebook).outputs.append(
        rules.nbformat.v4.new_output("stream", name="stderr", text="hm")
    )


def _on_another_bench(notebook):
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = 'bench_dir = "mine"'


def _other_kernel(notebook):
    notebook.metadata["kernelspec"] = {"name": "reeds", "display_name": "r", "language": "python"}


def _random_ids(notebook):
    notebook.cells[0]["id"] = "9f8a2c1d"


def _no_question(notebook):
    notebook.cells[0].source = "# Suppliers"


def _with_code(source):
    def damage(notebook):
        _last_code(notebook).source += f"\n{source}"

    return damage


def _with_text(text):
    return lambda notebook: notebook.cells[0].update(source=f"{notebook.cells[0].source}\n\n{text}")


def _unfolded(notebook):
    del _last_code(notebook).metadata["jupyter"]


DAMAGES = [
    (_with_code("from reedlab.decide.evidence import gather"), "an import beyond rl and display"),
    (_with_code("import reedlab.mixed.fitting"), "an import beyond rl and display"),
    (_with_code("from reedlab.report import cross_checks"), "an import beyond rl and display"),
    (_with_code("lost._sentence()"), "a private name: _sentence"),
    (_with_code("if lost is not None:\n    rl.show(lost)"), "a guard against None"),
    (_unfolded, "code that is not folded"),
    (_unexecuted, "a cell was never executed"),
    (_out_of_order, "cells were executed out of order"),
    (_failing, "a cell ends in an error"),
    (_complaining, "something on the error stream"),
    (_output(**{"text/plain": "read /home/someone/reeds.csv"}), "a path"),
    (_output(**{"text/plain": "C:\\Users\\someone"}), "a path"),
    (_output(**{"text/plain": "<Figure size 640x480 with 1 Axes>"}), "an object's repr"),
    (_output(**{"text/plain": "<lib.Thing object at 0x7f1b2c3d4e5f>"}), "an object's repr"),
    (_output(**{"text/plain": "ConvergenceWarning: x"}), "a warning"),
    (_output(**{"text/plain": "took 12:04:31"}), "a clock"),
    (_output(**{"text/plain": "0.123456789"}), "a long tail of digits"),
    (_output(**{"image/png": "AAAA", "text/plain": "a"}), "a picture without alternative text"),
    (_output(**{"text/html": '<img alt="" src="a">'}), "a picture without alternative text"),
    (_on_another_bench, "no single parameters cell"),
    (_other_kernel, "metadata"),
    (_random_ids, "cell ids"),
    (_with_text("`no such thing` says it"), "a column that is not there: no such thing"),
    (_no_question, "it does not open with its question"),
]


@pytest.mark.parametrize(("damage", "fault"), DAMAGES)
def test_a_damaged_notebook_is_noticed(damage, fault):
    notebook = copy.deepcopy(rules.load(NOTEBOOKS[0]))
    damage(notebook)
    assert any(found.startswith(fault) for found in rules.faults(notebook))
