"""Files outside a bench's folder: read only where this user adopted them for this bench.

A ``bench.toml`` may come from anybody. What it names is read if its real path, links followed, is
inside the bench's folder, or if this user adopted it on this computer.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError
from reedlab.paths import user_folder
from reedlab.records.findings import Findings
from reedlab.records.read.other_workbooks import read_book
from reedlab.records.read.sheets_as_text import Sheet, find_headings, heading_key, read_csv
from reedlab.records.settings import FILE, Settings
from reedlab.records.store import alone_in, write_text
from reedlab.records.tables import SHEETS, Table

_LIST = "adopted.json"


def may_read(file: Path, folder: Path) -> bool:
    """Say whether a bench may read a file: inside its folder, or adopted for it by this user."""
    real, home = Path(os.path.realpath(file)), Path(os.path.realpath(folder))
    return real.is_relative_to(home) or str(real) in _adopted().get(str(home), ())


def remember(files: Sequence[Path], folder: Path) -> None:
    """Note in the user's configuration that this user adopted files for a bench."""
    home = str(Path(os.path.realpath(folder)))
    with alone_in(user_folder()):
        adopted = _adopted()
        known = set(adopted.get(home, ()))
        if missing := {os.path.realpath(file) for file in files} - known:
            adopted[home] = sorted(known | missing)
            text = json.dumps(adopted, indent=1, sort_keys=True, ensure_ascii=False)
            write_text(f"{text}\n", user_folder() / _LIST, replace=True)


def _adopted() -> dict[str, list[str]]:
    """Return the list of adopted files, by the bench they were adopted for."""
    try:
        given = json.loads((user_folder() / _LIST).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(given, dict):
        return {}
    return {str(home): [*map(str, v)] for home, v in given.items() if isinstance(v, list)}


def refuse_outside(file: Path, folder: Path) -> None:
    """Raise RecordError for a file that this bench may not read."""
    if not may_read(file, folder):
        raise RecordError(
            f"{folder} names {file}, which is outside its folder and was not adopted on this "
            "computer: if you know both, run `reedlab adopt` with that file and `--to` this folder."
        )


def read_elsewhere(folder: Path, settings: Settings, found: Findings) -> dict[str, Sheet]:
    """Return the tables that ``[files]`` in ``bench.toml`` names, sheets of one table stacked."""
    sheets: dict[str, list[Sheet]] = {}
    for name, holds in settings.files.items():
        path = folder / name
        refuse_outside(path, folder)
        if not path.is_file():
            raise RecordError(
                f"{path} is not there: correct its name under [files] in {folder / FILE}, or adopt "
                "the sheet again."
            )
        if isinstance(holds, Mapping):
            _add_book(path, holds, sheets, found)
        elif holds and (sheet := read_csv(path, SHEETS[holds], settings, found)):
            sheets.setdefault(holds, []).append(sheet)
    return {
        table: _completed(_stacked(parts, SHEETS[table], settings, found), table, settings, found)
        for table, parts in sheets.items()
    }


def _add_book(
    path: Path, holds: Mapping[str, str], sheets: dict[str, list[Sheet]], found: Findings
) -> None:
    """Add the sheets of a workbook that hold a table; new and missing ones are named."""
    book = read_book(path, found)
    for title, table in holds.items():
        if table and title in book:
            sheets.setdefault(table, []).append(book[title])
        elif table and book:
            fix = f"correct its name under [files] in {FILE}"
            found.add(path.name, None, "", title, "error", f"has no sheet {title!r}", fix)
    for title in book:
        if title not in holds and len(book[title].cells) > 1:
            problem = f"the sheet {title!r} is new, and not read"
            fix = "run `reedlab adopt` on this bench again, to say what it holds"
            found.add(path.name, None, "", title, "warning", problem, fix)


def _stacked(sheets: list[Sheet], table: Table, settings: Settings, found: Findings) -> Sheet:
    """Return sheets of one table as one: the cells of the later ones under the first headings.

    Rows of the second sheet are numbered from 1001, or 10001: 1002 is its row 2.
    """
    first, *others = sheets
    if not others:
        return first
    last = max(int(sheet.cells.index.max()) for sheet in sheets if len(sheet.cells))
    step = 10 ** max(len(str(last)), 3)
    at = find_headings(first, table, settings).at
    headings = [*first.cells.iloc[at]] if at >= 0 else []
    parts = [first.cells]
    for number, sheet in enumerate(others, start=1):
        own = find_headings(sheet, table, settings).at
        if at < 0 or own < 0:
            continue
        body = sheet.cells.iloc[own + 1 :]
        body = body.set_axis(_places([*sheet.cells.iloc[own]], headings), axis=1)
        parts.append(body.set_axis(body.index + number * step, axis=0))
        found.add(
            table.name, None, "", sheet.place, "read_as",
            f"the rows of {sheet.place} are numbered from {number * step + 1}: "
            f"{number * step + 2} is its row 2",
            "leave it",
        )  # fmt: skip
    cells = pd.concat(parts)
    cells.iloc[at, :] = headings + [None] * (cells.shape[1] - len(headings))
    places = ", ".join(sheet.place for sheet in sheets)
    comma = {sheet.origin.comma_decimal for sheet in sheets}
    origin = replace(first.origin, comma_decimal=comma.pop() if len(comma) == 1 else None)
    return Sheet(places, cells, origin)


def _places(own: list[object], headings: list[object]) -> list[int]:
    """Return where each column of a sheet goes; a heading that is new gets a place at the end."""
    keys = [heading_key(heading) for heading in headings]
    places = []
    for heading in own:
        key = heading_key(heading)
        if not key or key not in keys or keys.index(key) in places:
            keys.append(key)
            headings.append(heading)
            places.append(len(headings) - 1)
        else:
            places.append(keys.index(key))
    return places


def _completed(sheet: Sheet, table: str, settings: Settings, found: Findings) -> Sheet:
    """Label reeds by their row where no column does, and lots by their supplier."""
    headings = find_headings(sheet, SHEETS[table], settings)
    if table != "reeds" or headings.at < 0:
        return sheet
    places, cells = headings.places, sheet.cells.copy()
    if "reed" not in places:
        filled = sheet.cells.notna().sum(axis=1)
        labels = [f"row {row}" if filled[row] > 1 else None for row in cells.index]  # 1: a title
        labels[: headings.at + 1] = [*[None] * headings.at, "reed"]
        cells[cells.shape[1]] = labels
        problem = "has no column of labels, so reeds are called by row"
        fix = "leave it, or number your reeds, so that their cane and sittings can be noted"
        found.add(table, None, "reed", "", "read_as", problem, fix)
    if "supplier" in places and not {"lot", "piece"} & places.keys():
        cells[cells.shape[1]] = cells[places["supplier"]]
        cells.iloc[headings.at, -1] = "lot"
        problem = "has no column of lots, so all cane of one supplier counts as one lot"
        fix = "add a column lot, so that deliveries of one supplier can be distinguished"
        found.add(table, None, "lot", "", "warning", problem, fix)
    return replace(sheet, cells=cells)
