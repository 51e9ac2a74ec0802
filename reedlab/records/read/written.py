"""Cells as people write them: ditto marks, about, ranges, sums, months, fractions of a day.

Each is read in one way in a column, and a note says how; where it could be two things, it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from reedlab.records.read.cell_values import OtherUnit, Trouble, month_called
from reedlab.records.tables import CARRIED, Column

_DITTO = frozenset(
    {
        "''", "„", "“", "”", "″", "〃", '-"-', "-''-", '—"—', '–"–', "-„-", "-“-", "-”-",
        "do.", "ditto", "ditto.", "dito", "dito.", "id.", "idem", "idem.",
    }
)  # fmt: skip
DITTO_BEGINS = frozenset("\"'„“”″〃-—–dDiI")
"""What a ditto mark, or a lone quotation mark, begins with."""


class Reading(NamedTuple):
    """How a cell was read that says more than a plain number, and what to do."""

    says: str
    fix: str


_LEAVE = "leave it, or write it out"

_ABOUT = re.compile(
    r"^(?:ca\.?|circa|about|approx\.?|approximately|etwa|ungefähr|ungef\.?|rund|around|~|≈|±)\s*"
    r"(?=[\d.,])",
    re.IGNORECASE,
)
_RANGE = re.compile(
    r"(?P<low>[\d.,]+[^\d\-–—+]{0,8}?)\s*(?:[-–—]|\bto\b|\bbis\b)\s*(?P<high>[\d.,]+[^\d\-–—+]{0,9})",
    re.IGNORECASE,
)
_SUM = re.compile(r"[\d.,][^+\-–—]*(?:\+[^+\-–—]*\d[^+\-–—]*)+")
_WHOLE_YEAR = re.compile(r"(19|20)\d\d")
_SUMMED = ("minutes", "count", "money")

_MONTH_IN_DIGITS = re.compile(
    r"(?P<year>\d{4})\s?[./\-]\s?(?P<month>\d{1,2})|(?P<first>\d{1,2})\s?[./\-]\s?(?P<last>\d{4})"
)
_MONTH_IN_LETTERS = re.compile(
    r"(?P<month>[^\W\d_]{3,12})[.,]?[\s\-/]*(?P<mark>['’])?(?P<year>\d{4}|\d{1,2})"
    r"|(?P<first>\d{4})[\s\-/]+(?P<last>[^\W\d_]{3,12})\.?"
)

_RECENT = 20  # May 12 is rather a day than a month of 2012
_DAY_FRACTION = re.compile(r"0?\.\d{5,}")
_MINUTES_A_DAY = 1440


def is_ditto(value: object) -> bool:
    """Say whether a cell is a ditto mark; a lone mark that closes nowhere has a blank before it.

    >>> is_ditto('"'), is_ditto("Dito"), is_ditto("id."), is_ditto(' "'), is_ditto("DO")
    (True, True, True, False, False)
    """
    short = isinstance(value, str) and len(value) < 12
    return short and (value == '"' or str(value).strip().casefold() in _DITTO)


def is_lone_mark(value: object) -> bool:
    """Say whether a cell is a quotation mark that is neither quoted nor in a workbook."""
    return isinstance(value, str) and 1 < len(value) < 12 and value.strip() == '"'


def cells_above(marks: np.ndarray, known: np.ndarray, apart: np.ndarray) -> np.ndarray:
    """Return for each row the one whose cell counts, itself for most; -1 for a mark without one.

    `apart` are rows that do not follow the row before: another one was left out between.

    >>> marks = np.array([False, True, True, True])
    >>> cells_above(marks, np.full(4, True), np.array([False, False, False, True])).tolist()
    [0, 0, 0, -1]
    """
    rows = np.arange(len(marks))
    source = np.maximum.accumulate(np.where(marks, -1, rows))
    start = np.maximum.accumulate(np.where(apart, rows, -1))
    means = (source >= start) & (source >= 0) & known[np.maximum(source, 0)]
    return np.where(marks & ~means, -1, source)


def ditto_trouble(column: Column, value: str) -> Trouble:
    """Say why a ditto mark is not read."""
    why = "is a ditto mark, and no cell is right above it"
    if column.name not in CARRIED:
        why = "is a ditto mark, and each row has its own"
    if is_lone_mark(value):
        why = "is a quotation mark that never closes"
    return Trouble(why, "write the cell out")


def ditto_note(read: object) -> tuple[str, str]:
    """Say how a ditto mark is read, and what to do."""
    return f"is a ditto mark, read as {read}, the cell above", _LEAVE


def without_about(text: str) -> str:
    """Return a text without a word or sign for "about".

    >>> without_about("ca. 35"), without_about("~ 0,58 mm"), without_about("about")
    ('35', '0,58 mm', 'about')
    """
    return _ABOUT.sub("", text)


def read_written(
    text: str, column: Column, one: Callable[[str], float], convert: Callable[[float], float]
) -> tuple[float, Reading | None]:
    """Read a number, the middle of a range, or a sum; say what was done, if anything.

    `one` reads a single number, `convert` carries it to the column's own unit. A measure may be a
    range; minutes, counts and money may be sums.

    >>> from reedlab.records.tables import TABLES
    >>> reeds = TABLES["reeds"].columns
    >>> read_written("25+10", reeds["rough_min"], float, float)[0]
    35.0
    >>> value, done = read_written("72-73", reeds["tied_mm"], float, float)
    >>> value, done.says
    (72.5, 'the middle of 72 to 73 (half-width 0.5)')
    """
    short = len(text) < 60  # the patterns take long on a megabyte
    match = _RANGE.fullmatch(text) if short else None
    added = short and match is None and _SUM.fullmatch(text) is not None
    if added and column.kind not in _SUMMED:
        raise Trouble("is a sum, and a measure is one number", "write the number measured")
    if match is None and not added:
        return one(text), None
    parts = text.split("+") if match is None else [match["low"], match["high"]]
    try:
        values = [one(part.strip()) for part in parts]
    except OtherUnit as other:  # its advice is of one part
        raise Trouble(other.problem, "write one number, in the unit of the column") from other
    if match is None:
        return sum(values), Reading("the sum", "leave it, or write the sum")
    low, high = values
    years = all(_WHOLE_YEAR.fullmatch(match[end].strip()) for end in ("low", "high"))
    if column.kind not in ("number", "minutes") or years:
        raise Trouble("is a range, or two numbers", "write the one number that you mean")
    least, most = column.possible or (0, np.inf)
    ends = sorted((convert(low), convert(high)))
    if not (0 < low < high <= 2 * low and least <= ends[0] and ends[1] <= most):
        raise Trouble(
            "could be a range or something else",
            "write the one number that you mean, such as its middle",
        )
    half = (ends[1] - ends[0]) / 2
    middle = float(f"{(low + high) / 2:.12g}")  # 0.59, not 0.5900000000000001
    says = f"the middle of {low:g} to {high:g} (half-width {half:.4g})"
    return middle, Reading(says, "leave it, or write one number")


def day_fractions(texts: Sequence[str], column: Column) -> dict[int, float]:
    """Return the minutes of cells that hold times as fractions of a day, by their position.

    A spreadsheet keeps 0:35 as 0.0243055555555556. If one cell of a column shows that, by many
    decimals that are whole seconds, all its numbers below one are read so.

    >>> from reedlab.records.tables import TABLES
    >>> rough = TABLES["reeds"].columns["rough_min"]
    >>> day_fractions(["0.0243055555555556", "0.025", "12"], rough)
    {0: 35.0, 1: 36.0}
    """
    low, high = column.likely if isinstance(column.likely, tuple) else column.possible or (0, 0)

    def minutes(text: str) -> float:
        return round(float(text) * _MINUTES_A_DAY * 60) / 60

    def shows(text: str) -> bool:
        seconds = float(text) * _MINUTES_A_DAY * 60
        return abs(seconds - round(seconds)) < 1e-3 and low <= minutes(text) <= high

    if not any(_DAY_FRACTION.fullmatch(text) and shows(text) for text in texts):
        return {}
    below_one = re.compile(r"0?\.\d+")
    return {i: minutes(t) for i, t in enumerate(texts) if below_one.fullmatch(t)}


def months_meant(
    texts: Sequence[str], beside: Sequence[str] = ()
) -> dict[int, pd.Timestamp | Trouble]:
    """Return the first day of each month without a day, by the text's position.

    Feb 24 is a month of 2024 only where it is not likely to be 24 February: `beside`, the days of
    the whole table, names that year; or it names none, and the column names fewer years than
    months, or one of the last years alone.

    >>> [str(day.date()) for day in months_meant(["April 2024", "04/2024", "Feb 24"]).values()]
    ['2024-04-01', '2024-04-01', '2024-02-01']
    >>> months_meant(["Feb 12", "Mar 19"])[0].problem
    'could be February 2012 or 12 February'
    """
    meant: dict[int, pd.Timestamp | Trouble] = {}
    short: dict[int, tuple[int, int]] = {}
    for i, text in enumerate(texts):
        if len(text) > 30:
            continue
        digits = _MONTH_IN_DIGITS.fullmatch(text)
        letters = None if digits else _MONTH_IN_LETTERS.fullmatch(text.casefold())
        if digits:
            year = int(digits["year"] or digits["last"])
            month = int(digits["month"] or digits["first"])
            meant[i] = _first_day(year, month)
        elif letters and (month := month_called(letters["month"] or letters["last"]) or 0):
            named = letters["year"] or letters["first"]
            if len(named) == 4 or (letters["mark"] and len(named) == 2):
                meant[i] = _first_day(int(named) + (2000 if len(named) == 2 else 0), month)
            else:
                short[i] = (int(named) if len(named) == 2 else -1, month)
    if short:
        years_in = re.compile(r"(?<!\d)20\d\d(?!\d)")
        shown = {int(y) % 100 for t in (*texts, *beside) for y in years_in.findall(t[:40])}
        years = {year for year, _ in short.values()}
        months = {month for _, month in short.values()}
        recent = len(years) == 1 and min(years) >= _RECENT
        clear = years <= shown or (not shown and (recent or len(months) > len(years)))
        for i, (year, month) in short.items():
            # A number above 31 is no day, and one digit is no year.
            sure = -1 not in years and (clear or max(years) > 31)
            meant[i] = _first_day(2000 + year, month) if sure else _asked(year, month)
    return meant


def _first_day(year: int, month: int) -> pd.Timestamp | Trouble:
    if not 1 <= month <= 12:
        return Trouble("is not a month", "write it as 2024-03-05, or 2024-03 for a month")
    if not 1950 <= year <= 2100:
        return Trouble(f"is in the year {year}", "fix the year")
    return pd.Timestamp(year, month, 1)


def _asked(year: int, month: int) -> Trouble:
    name = f"{pd.Timestamp(2000, month, 1):%B}"
    if year < 0:
        return Trouble("is a day without a year", "write it as 2024-03-05")
    return Trouble(
        f"could be {name} {2000 + year} or {year} {name}", f"write {name} {2000 + year}, or the day"
    )
