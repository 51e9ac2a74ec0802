"""The cane notebook's key numbers, asked of the library again."""

import nbformat
import pytest

import reedlab as rl
from reedlab.paths import shipped


@pytest.fixture(scope="module")
def said():
    """Return all that the stored notebook says in words."""
    notebook = nbformat.read(shipped("notebooks") / "05-cane.ipynb", as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    return "\n".join(o.data["text/plain"] for o in outputs if "data" in o)


def test_the_stored_answers_are_what_the_library_says(said):
    bench = rl.demo_bench()
    for quantity in ("gouge_centre_mm", "hardness"):
        assert rl.gauge(bench, quantity).sentence() in said
    assert rl.gouger(bench, level=0.95).sentence() in said
    assert rl.air(bench, level=0.8).sentence() in said
