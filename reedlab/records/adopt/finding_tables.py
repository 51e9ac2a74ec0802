"""Any sheet's cells, and where its headings are: under titles, in any sheet of a workbook."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from reedlab.errors import RecordError
from reedlab.records.adopt.refusing import BOOKS, KINDS, refuse_unreadable
from reedlab.records.adopt.vocabulary import plain, vocabulary
from reedlab.records.findings import Findings
from reedlab.records.read.batch_rows import IN_COLUMNS, is_in_words
from reedlab.records.read.cell_values import text_of
from reedlab.records.read.left_out import is_total, second_headings
from reedlab.records.read.other_workbooks import read_book
from reedlab.records.read.sheets_as_text import Sheet, ends_at, heading_key, read_csv
from reedlab.records.read.written import is_ditto
from reedlab.records.settings import Settings
from reedlab.records.tables import TABLES, Column, Table

MOST_SHEETS = 200
"""A folder with more files than this is not a folder of sheets."""

_WITHIN = 20  # rows, as the reader looks for headings
_NUMBER = re.compile(r"[-+~]?[\d.,:/\s'%€$]+\D{0,4}")


@dataclass(frozen=True)
class Part:
    """One sheet: its headings, and the cells under them."""

    file: Path  # where it is
    sheet: str  # the name of the sheet in its workbook; empty for a CSV file
    headings: tuple[str, ...]  # the headings, of which each is named once
    body: pd.DataFrame  # the cells under the headings as text, None where empty; a column a heading

    @property
    def name(self) -> str:
        """What the maker calls it: the sheet, or the file without its ending."""
        return self.sheet or self.file.stem

    @property
    def place(self) -> str:
        """The file, and the sheet if it has several."""
        return f"{self.file.name}, sheet {self.sheet}" if self.sheet else self.file.name

    def texts(self, heading: str) -> Counter[str]:
        """Return the texts of a column and their counts; a ditto mark counts for the cell above."""
        return self._counts.get(heading, Counter())

    def in_words(self, heading: str) -> bool:
        """Say whether the cells under a heading hold whole batches: "10 tied, 6 good, 4 bad"."""
        texts = self.texts(heading)
        if vocabulary().columns.get(plain(heading), "outcome") != "outcome":
            return False
        return 2 * sum(n for text, n in texts.items() if is_in_words(text)) > texts.total()

    @cached_property
    def _counts(self) -> dict[str, Counter[str]]:
        counts = {}
        for heading in self.headings:
            cells = self.body[heading].dropna()
            marks = cells.map(is_ditto).astype(bool)
            texts = map(text_of, cells.mask(marks).ffill().dropna() if marks.any() else cells)
            counts[heading] = Counter(text for text in texts if text is not None)
        return counts


def read_parts(path: Path) -> tuple[list[Part], list[str]]:
    """Return the sheets that have rows of a file or folder, and what of a folder cannot be read."""
    parts: list[Part] = []
    left_out: list[str] = []
    for file in _files(path):
        try:
            parts += _parts(file)
        except RecordError as refusal:
            if not path.is_dir():
                raise
            left_out.append(str(refusal))
    for part, heading in [(p, h) for p in parts for h in p.headings if p.in_words(h)]:
        row, cell = next(part.body[heading].dropna().items())
        left_out.append(
            f"{part.place}, row {row}, {heading!r}: one cell holds a whole batch ({cell}); "
            f"{IN_COLUMNS}."
        )
    with_rows = any(part.headings and len(part.body) for part in parts)
    if not with_rows and left_out:
        raise RecordError(left_out[0])
    if not with_rows:
        raise RecordError(
            f"{path} has no table that can be found: give each column a heading in one row, with "
            "the reeds in the rows below."
        )
    return parts, left_out


def _files(path: Path) -> list[Path]:
    """Return the file itself, or the sheets of a folder."""
    if not path.exists():
        raise RecordError(f"{path} does not exist: give your sheet, or the folder that it is in.")
    if not path.is_dir():
        return [path]
    try:
        there = sorted(p for p in path.iterdir() if not p.name.startswith((".", "~")))
    except OSError as error:
        raise RecordError(
            f"{path} cannot be opened ({error.strerror}): check that you may read it."
        ) from error
    sheets = [p for p in there if p.suffix.casefold() in KINDS and p.is_file()]
    if not sheets:
        raise RecordError(
            f"{path} has no sheet: put a CSV file or a workbook (.xlsx, .ods, .xls) there."
        )
    if len(sheets) > MOST_SHEETS:
        raise RecordError(f"{path} has {len(sheets):,} sheets: give the one with your reeds.")
    return sheets


def _parts(file: Path) -> list[Part]:
    """Return the sheets of one file."""
    refuse_unreadable(file)
    found = Findings()
    if file.suffix.casefold() in BOOKS:
        sheets = read_book(file, found)
    else:
        sheet = read_csv(file, _any_table(), Settings(), found)
        sheets = {"": sheet} if sheet else {}
    if not sheets:
        told = found.frame()
        reason, fix = (told["problem"].iloc[0], told["fix"].iloc[0]) if len(told) else ("", "")
        raise RecordError(
            f"{file.parent / reason}: {fix}." if reason else f"{file} has no sheet: give another."
        )
    return [_part(file, name, sheet) for name, sheet in sheets.items() if len(sheet.cells)]


def _any_table() -> Table:
    """Return a table with every known heading, so that a file's delimiter can be found out."""
    words = vocabulary()
    names = [*words.columns, *words.either, *words.filled]
    names += [name for table in TABLES.values() for name in table.columns]
    columns = {heading_key(name): Column(heading_key(name), "text", "") for name in names}
    return Table("reeds", "a row", MappingProxyType(columns))


def _part(file: Path, name: str, sheet: Sheet) -> Part:
    """Find a sheet's headings; there are none in a sheet of notes."""
    cells = sheet.cells
    at = _heading_row(cells)
    if at is None or at + 1 >= len(cells):
        return Part(file.resolve(), name, (), cells[[]])
    keys = [heading_key(cell) for cell in cells.iloc[at]]
    end = ends_at(cells.iloc[at:], keys, {key: key for key in keys if key})
    places: dict[str, int] = {}
    for place, cell in enumerate(cells.iloc[at, :end]):
        heading = str(cell).strip() if isinstance(cell, str) else ""
        if heading_key(heading):
            places.setdefault(heading, place)
    below = cells.iloc[at + 1 :]
    below = below[below.notna().any(axis=1)]
    # Headings again, another table below, and rows of sums are no reeds: nothing is asked of them.
    again = below.eq(cells.iloc[at]).sum(axis=1)
    below = below[(again < 2) | (again < below.notna().sum(axis=1))]
    below = below.iloc[: min(second_headings(below), default=None)]
    body = below[list(places.values())].set_axis(list(places), axis=1)
    body = body[body.notna().any(axis=1)]
    few = 2 * body.notna().sum(axis=1) <= body.shape[1]
    sums = body[few].bfill(axis=1).iloc[:, 0].map(is_total)
    body = body.drop(sums.index[sums.astype(bool)])
    return Part(file.resolve(), name, tuple(places), body)


def _heading_row(cells: pd.DataFrame) -> int | None:
    """Return the row, by its position, with most known headings, else the first that looks so."""
    words, rows = vocabulary(), [list(row) for row in cells.head(_WITHIN).itertuples(index=False)]
    known = [len({c for c in row if isinstance(c, str) and words.knows(c)}) for row in rows]
    if known and max(known) >= 2:
        return known.index(max(known))
    looks = [at for at in range(len(rows) - 1) if _looks_like_headings(rows[at], rows[at + 1])]
    # Right below a row of groups, "Cane, Work", is the row that names each column.
    for at in looks:
        if at + 1 not in looks or _filled(rows[at + 1]) < 2 * _filled(rows[at]):
            return at
    ones = (at for at, count in enumerate(known) if count == 1)
    return next((at for at in ones if not any(map(_is_number, rows[at]))), None)


def _filled(row: list[object]) -> int:
    return sum(isinstance(c, str) and c.strip() != "" for c in row)


def _looks_like_headings(row: list[object], below: list[object]) -> bool:
    """Say whether a row has different texts, none a number, and enough cells below it."""
    texts = [c.strip() for c in row if isinstance(c, str) and c.strip()]
    different = len(texts) >= 2 and len(set(texts)) == len(texts)
    return different and not any(map(_is_number, texts)) and _filled(below) * 2 >= len(texts)


def _is_number(cell: object) -> bool:
    """Say whether a cell is a number or a day in digits, as no heading is."""
    return isinstance(cell, str) and _NUMBER.fullmatch(cell.strip()) is not None
