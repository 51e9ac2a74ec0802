"""What a stored notebook must be: run from top to bottom, and showing nothing that changes."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from typing import Any

import nbformat

FORBIDDEN = {
    "a path": re.compile(
        r"(?<![\w/.])(/(home|Users|usr|tmp|var|work|root|opt|mnt|private)\b|[A-Za-z]:\\|~/)"
    ),
    "an object's repr": re.compile(
        r"<[\w.]+( object)? at 0x|<[\w.]+ object|<(Figure|Axes)\b|0x[0-9a-f]{6,}"
    ),
    "a warning": re.compile(r"\b\w*Warning\b"),
    "a clock": re.compile(r"\b\d{1,2}:\d{2}:\d{2}\b|\b\d+(\.\d+)? ?(ms|µs|seconds)\b"),
    "a random id": re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}|\bid=\"T_[0-9a-f]{5}"),
    "a progress bar": re.compile(r"it/s|[█━]{3}|\r"),
    "a long tail of digits": re.compile(r"\d\.\d{5,}|\de-\d\d"),
}
IMPORTS = ("import reedlab as rl", "from reedlab.report import display")
"""All that a notebook takes from reedlab."""
METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def faults(notebook: Any) -> list[str]:
    """Return in words everything that keeps a notebook from being stored."""
    parts = (_shape, _code, _execution, _outputs, _columns)
    return [fault for part in parts for fault in part(notebook)]


def _shape(notebook: Any) -> Iterator[str]:
    if notebook.metadata != METADATA:
        yield "metadata that changes from machine to machine"
    first = notebook.cells[0]
    if first.cell_type != "markdown" or not re.match(r"# .+\?\n", first.source + "\n"):
        yield "it does not open with its question"
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    parameters = [cell for cell in code if "parameters" in _tags(cell)]
    if [cell.source for cell in parameters] != ['bench_dir = ""']:
        yield "no single parameters cell that names the demo"
    for part in ("answer", "picture", "statistics"):
        if not any(part in _tags(cell) for cell in code):
            yield f"no cell tagged {part}"
    order = [
        part for cell in code for part in _tags(cell) if part in ("answer", "picture", "statistics")
    ]
    if order[:1] != ["answer"]:
        yield "something is shown before the answer"
    ids = [cell.get("id", "") for cell in notebook.cells]
    if any(not re.fullmatch(r"[a-z]+-\d\d", name) for name in ids) or len({*ids}) < len(ids):
        yield "cell ids that are not the notebook's own"


def _code(notebook: Any) -> Iterator[str]:
    """Name what a researcher could not copy: modules within reedlab, private names, guards."""
    for cell in notebook.cells:
        if cell.cell_type != "code":
            continue
        if not cell.metadata.get("jupyter", {}).get("source_hidden"):
            yield f"code that is not folded: {cell.get('id')}"
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.Import | ast.ImportFrom):
                written = ast.unparse(node)
                if "reedlab" in written and written not in IMPORTS:
                    yield f"an import beyond rl and display: {written}"
            name = getattr(node, "attr", getattr(node, "id", ""))
            if isinstance(name, str) and name.startswith("_") and name != "_":
                yield f"a private name: {name}"
            if isinstance(node, ast.Is | ast.IsNot):
                yield f"a guard against None: {cell.get('id')}"


def _execution(notebook: Any) -> Iterator[str]:
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    counts = [cell.execution_count for cell in code]
    if None in counts:
        yield "a cell was never executed"
    if counts != [*range(1, len(code) + 1)] and None not in counts:
        yield "cells were executed out of order"
    outputs = [output for cell in code for output in cell.outputs]
    if any(output.output_type == "error" for output in outputs):
        yield "a cell ends in an error"
    if any(output.get("name") == "stderr" for output in outputs):
        yield "something on the error stream"


def _outputs(notebook: Any) -> Iterator[str]:
    for text in _texts(notebook):
        for what, pattern in FORBIDDEN.items():
            if match := pattern.search(text):
                yield f"{what} in an output: {match.group()!r}"
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            shown = output.get("data", {})
            if "image/png" in shown or re.search(
                r"<img (?!alt=\"[^\"]{20})", shown.get("text/html", "")
            ):
                yield "a picture without alternative text"


def _columns(notebook: Any) -> Iterator[str]:
    """Name what the text calls a column, in backticks, and no table or cell has."""
    shown = [*_texts(notebook), *(c.source for c in notebook.cells if c.cell_type == "code")]
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for name in re.findall(r"`(?!reedlab )([a-z ]+)`", cell.source):
                if not any(name in text for text in shown):
                    yield f"a column that is not there: {name}"


def _texts(notebook: Any) -> Iterator[str]:
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            yield output.get("text", "")
            yield from (str(v) for k, v in output.get("data", {}).items() if k.startswith("text/"))


def _tags(cell: Any) -> list[str]:
    return list(cell.metadata.get("tags", []))


def load(path: Any) -> Any:
    """Read a notebook as it is stored."""
    return nbformat.read(path, as_version=4)
