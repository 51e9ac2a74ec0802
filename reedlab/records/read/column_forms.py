"""What the texts of a column show together, where one text alone has two readings.

A column is read in one way: what shows in one of its cells counts for all, and where its cells
disagree, or show nothing, nothing is settled.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from reedlab.records.read.cell_values import (
    COMMA_DECIMAL,
    TWO_READINGS,
    Trouble,
    days_meant,
    without_separators,
)
from reedlab.records.tables import Column

_POINT_DECIMAL = re.compile(
    r"[+-]?(?:\d{1,3}(?:,\d{3})+\.\d+|\d+\.(?:\d{1,2}|\d{4,})|0?\.\d+|\d{1,3}(?:,\d{3}){2,})"
    r"(?![\d.,])"
)
_DECIMALS = re.compile(r"\d+[.,](?:\d|[6-9]\d|\d{4,})")
_PARTS = re.compile(r"(\d{1,4})[- ]\d{1,2}[- ](\d{1,4})(?:[T ]\d{1,2}:.*)?")


def decimal_comma(columns: Sequence[Sequence[str]], hint: bool | None) -> bool | None:
    """Say whether a table's numbers have decimal commas; None when that is not clear.

    `hint` is what the file's delimiter says, used where the numbers do not show it.

    >>> decimal_comma([["0,58", "1,234"]], None), decimal_comma([["1,234"]], None)
    (True, None)
    >>> decimal_comma([["1.250", "7"]], True), decimal_comma([["1.250", "0.5"]], True)
    (None, False)
    """
    signed = [without_separators(t) for column in columns for t in column if "," in t or "." in t]
    commas = any(map(COMMA_DECIMAL.match, signed))
    points = any(map(_POINT_DECIMAL.match, signed))
    if commas != points:
        return commas
    if any("," in t for t in signed):
        return hint
    # Points alone: decimals, unless the delimiter says that decimals have commas.
    return None if hint and signed else False


def comma_by_range(
    texts: Sequence[str], column: Column, convert: Callable[[float], float]
) -> bool | None:
    """Say whether the only possible readings of a column, in its own unit, have decimal commas.

    >>> from reedlab.records.tables import TABLES
    >>> tied = TABLES["reeds"].columns["tied_mm"]
    >>> comma_by_range(["72.500", "73.250"], tied, float)
    False
    """
    unclear = [t for t in map(without_separators, texts) if TWO_READINGS.fullmatch(t)]
    signs = {"," in t for t in unclear}
    if len(signs) != 1 or column.possible is None:
        return None
    (comma,), (low, high) = signs, column.possible
    decimals = all(low <= convert(float(t.replace(",", "."))) <= high for t in unclear)
    wholes = all(low <= convert(float(re.sub("[.,]", "", t))) <= high for t in unclear)
    return None if decimals == wholes else comma if decimals else not comma


def shows_decimals(texts: Sequence[str]) -> bool:
    """Say whether minutes such as 1.30 are decimals, since another has no hours and minutes.

    >>> shows_decimals(["1.30", "12.75"]), shows_decimals(["1.30", "35"])
    (True, False)
    """
    return any(map(_DECIMALS.fullmatch, texts))


def year_first(texts: Sequence[str], order: str | None) -> bool | None:
    """Say whether days such as 24-03-05 begin with the year; None when that is not clear.

    `order`, "day-month" or "month-day", is of years that come last.

    >>> year_first(["24-03-05", "24-03-2005"], None), year_first(["24-03-05"], "day-month")
    (False, None)
    """
    shown: set[bool | None] = set()
    for text in texts:
        if parts := _PARTS.fullmatch(text):
            first, last = (len(part) for part in parts.groups())
            if first == 4 or last == 4:
                # 2024-03-06 beside others settles nothing: it goes with every way of writing.
                shown.add(False if last == 4 else None)
            elif first == last == 2:
                day = text[: parts.end(2)]
                can = {kind for kind in (True, False) if days_meant(day, order, kind)}
                shown |= can if len(can) == 1 else set()
    return shown.pop() if len(shown) == 1 else None


def two_orders(texts: Sequence[str]) -> dict[int, Trouble]:
    """Return the days that show the day first and those that show the month first, if both do.

    >>> sorted(two_orders(["25/3/2024", "3/25/2024", "2024-03-05"])), two_orders(["25/3/2024"])
    ([0, 1], {})
    """
    shown: dict[int, str] = {}
    for i, text in enumerate(texts):
        orders = ("day-month", "month-day")
        can = [order for order in orders if days_meant(text, order, False)]
        if len(can) == 1:
            shown[i] = can[0]
    if len(set(shown.values())) < 2:
        return {}
    first = {"day-month": "day", "month-day": "month"}
    return {
        i: Trouble(
            f"has the {first[order]} first, and other days of this column have not",
            "write days as 2024-03-05",
        )
        for i, order in shown.items()
    }
