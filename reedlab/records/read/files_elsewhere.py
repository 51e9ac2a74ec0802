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
from typing import NamedTuple

import pandas as pd

from reedlab.errors import RecordError
from reedlab.paths import user_folder
from reedlab.records.findings import Findings
from reedlab.records.read.amounts import UNIT_OF, price_for, unit_in
from reedlab.records.read.cell_values import OTHER_UNITS, unit_of_column
from reedlab.records.read.other_workbooks import read_book
from reedlab.records.read.outcome_rules import with_outcomes
from reedlab.records.read.sheets_as_text import (
    Headings,
    Sheet,
    find_headings,
    heading_key,
    read_csv,
    say_left,
    say_no_headings,
)
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


def read_elsewhere(
    folder: Path, settings: Settings, found: Findings, as_written: bool
) -> dict[str, Sheet]:
    """Return the tables that ``[files]`` in ``bench.toml`` names, sheets of one table stacked.

    Unless they are wanted `as_written`, each sheet's outcomes follow the rules for its headings.
    """
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
    if "reeds" in sheets and not as_written:
        sheets["reeds"] = [with_outcomes(sheet, settings) for sheet in sheets["reeds"]]
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
    """Return sheets of one table as one: cells under one heading where headings mean one column.

    Rows of the second sheet are numbered from 1001, or 10001: 1002 is its row 2.
    """
    if len(sheets) == 1:
        return sheets[0]
    last = max((int(sheet.cells.index.max()) for sheet in sheets if len(sheet.cells)), default=1)
    step = 10 ** max(len(str(last)), 3)
    at, heads = 0, list[_Head]()
    parts: list[pd.DataFrame] = []
    for number, sheet in enumerate(sheets):
        own = find_headings(sheet, table, settings)
        if own.at < 0:
            say_no_headings(sheet, table, found)
            continue
        first = number * step
        sheet = replace(sheet, cells=sheet.cells.set_axis(sheet.cells.index + first, axis=0))
        say_left(sheet, table, own, found)
        places = _places(sheet, table, own, heads, settings, found)
        at = at if parts else own.at
        body = sheet.cells.iloc[own.at + 1 if parts else 0 :]
        parts.append(body.set_axis(places, axis=1))
        if number:
            found.add(
                table.name, None, "", sheet.place, "read_as",
                f"the rows of {sheet.place} are numbered from {first + 1}: {first + 2} is its "
                "row 2",
                "leave it",
            )  # fmt: skip
    if not parts:
        return replace(sheets[0], cells=sheets[0].cells.iloc[:0])
    cells = pd.concat(parts)
    cells.iloc[at, :] = [head.text for head in heads]
    comma = {sheet.origin.comma_decimal for sheet in sheets}
    origin = replace(sheets[0].origin, comma_decimal=comma.pop() if len(comma) == 1 else None)
    return Sheet(", ".join(sheet.place for sheet in sheets), cells, origin)


class _Head(NamedTuple):
    """A heading over the cells of several sheets."""

    means: tuple[str, str] | None  # its column, or its key; None where it is not read
    unit: str  # if it is another than the column's
    text: object
    place: str  # the first sheet that has it


def _places(
    sheet: Sheet,
    table: Table,
    headings: Headings,
    heads: list[_Head],
    settings: Settings,
    found: Findings,
) -> list[int]:
    """Return where each column of a sheet goes; `heads` receives what no sheet before has."""
    columns = {place: column for column, place in headings.places.items()}
    places: list[int] = []
    for place, text in enumerate(sheet.cells.iloc[headings.at]):
        column, key, unit = columns.get(place, ""), heading_key(text), ""
        means = (column, "" if column else key) if key and place not in headings.left else None
        if column in headings.units:
            of_column = OTHER_UNITS[unit_of_column(table.columns[column])]
            unit = of_column[headings.units[column]][0]
        elif column in UNIT_OF:
            unit = unit_in(str(text), settings.words.get("quantity_unit", {}))
        elif column == "price_per_piece":
            unit = f"price of {price_for(str(text))[2]}"
        there = next((i for i, head in enumerate(heads) if means and head.means == means), None)
        if there is not None and heads[there].unit != unit:
            found.add(
                table.name, int(sheet.cells.index[headings.at]), column, text, "error",
                f"has another unit than {heads[there].text!r} of {heads[there].place}, so the "
                f"column is not read in {sheet.place}",
                "write the numbers and the heading in one unit",
            )  # fmt: skip
            there = means = None
        if there is None or there in places:
            there = len(heads)
            heads.append(_Head(means, unit, text if means else None, sheet.place))
        places.append(there)
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
