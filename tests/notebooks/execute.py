"""Execute the notebooks on the demo and store them with their outputs.

    .venv/bin/python tests/notebooks/execute.py            # all of them
    .venv/bin/python tests/notebooks/execute.py 02 04      # those whose names begin so

Run it after a change to a notebook, or to anything that a notebook shows; then look at what
changed in the diff before it is committed. A notebook that does not run to its end is not stored.
"""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat

from reedlab.report.pages import running

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"


def stored(path: Path) -> str:
    """Run a notebook and return the text of its file, the same from every run."""
    result = running.run(path)
    if result.stopped:
        raise SystemExit(f"{path.name} stops: {result.reason}")
    word = path.stem.split("-")[-1]
    for place, cell in enumerate(result.notebook.cells, start=1):
        cell["id"] = f"{word}-{place:02d}"
    result.notebook.update(nbformat=4, nbformat_minor=5)
    nbformat.validate(result.notebook)
    return nbformat.writes(result.notebook) + "\n"


if __name__ == "__main__":
    for path in sorted(NOTEBOOKS.glob("*.ipynb")):
        if path.name.startswith(tuple(sys.argv[1:]) or ""):
            path.write_text(stored(path), encoding="utf-8")
            print(f"stored {path.name}")
