"""How a notebook's run ends is decided by what was raised, never by a name or a wording."""

import subprocess
import sys

import nbformat
import pytest

from reedlab.report.pages import running
from reedlab.report.pages.running import Ending

OWN_NAME = "class DecisionError(Exception): pass\nraise DecisionError('Cannot tell.')"
OWN_KIND = (
    "from reedlab.errors import DecisionError\n"
    "class Refusal(DecisionError): pass\nraise Refusal('too few reeds.')"
)


@pytest.mark.parametrize(
    ("source", "ending", "reason"),
    [
        (OWN_NAME, Ending.FAULT, "DecisionError: Cannot tell."),
        (OWN_KIND, Ending.REFUSED, "too few reeds."),
        ("1 +", Ending.FAULT, "SyntaxError: "),
    ],
)
def test_the_class_that_was_raised_decides(tmp_path, source, ending, reason):
    cells = [nbformat.v4.new_code_cell(source), nbformat.v4.new_code_cell("print('never')")]
    path = tmp_path / "1-why.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    ended = running.run(path)
    assert ended.ending is ending
    assert ended.reason.startswith(reason)
    assert len(ended.notebook.cells) == 1


def test_notebooks_are_checked_without_the_grammar_of_addresses():
    code = (
        "import sys; from reedlab.report.pages.running import load_jupyter, notebooks; "
        "load_jupyter(); import nbformat; "
        "notebook = nbformat.read(notebooks()[0], as_version=4); nbformat.validate(notebook); "
        "print({'lark', 'rfc3987_syntax'} & {*sys.modules}); "
        "notebook.cells[0].cell_type = 'other'; nbformat.validate(notebook)"
    )
    done = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True)
    assert done.stdout == "set()\n"
    assert "NotebookValidationError" in done.stderr and done.returncode == 1
