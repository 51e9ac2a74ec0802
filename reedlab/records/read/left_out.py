"""Rows of a sheet that are no rows of its table: titles, totals, repeated headings, examples."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from reedlab.records.findings import Findings, Reason
from reedlab.records.read.written import is_ditto
from reedlab.records.tables import NUMBERS, Table

EXAMPLE = "example"
"""The label of a row that shows how a sheet is filled in, and is never read."""

_SUM = (
    r"(?:(?:grand|sub|zwischen|end)[ -]?)?(?:totals?|totale?|totaux|totaal|totalt|sum|summe|somme"
    r"|suma|summa|soma|gesamt)|i ?alt|yhteensä|razem|celkem|ukupno"
)
_MEAN = (
    r"(?:average|avg|mean|median|durchschnitt|mittelwert|mittel|schnitt|moyenne|media|média|promedio"
    r"|gemiddelde?|gennemsnit|gjennomsnitt|genomsnitt|keskiarvo|średnia|průměr|prosjek|ø)"
)
_DIGIT = re.compile(r"\d")
_WIDE = 3  # cells of a row of headings, at least
_LOOK_BACK, _MOSTLY = 50, 0.8  # rows above another heading, and the share of them with digits
_BEGIN = {*" agsztmdpeiøyrcukśAGSZTMDPEIØYRCUKŚ"}
_TOTAL = re.compile(rf"(?:({_SUM}|insgesamt)|({_MEAN}))(?:[.:=\s].{{0,30}})?", re.IGNORECASE)
_SAYS: dict[Reason, tuple[str, str]] = {
    "title": ("is alone in its row, which is read as a title", "leave it, or complete the row"),
    "label alone": (
        "is a label alone, so the row is read as not begun",
        "leave it, or complete the row",
    ),
    "repeated heading": ("begins a row that repeats the headings, which is skipped", "leave it"),
    "total": (
        "begins a row of totals, which is not read",
        "leave it, or give the row another label if it is a record",
    ),
    "average": (
        "begins a row of averages, which is not read",
        "leave it, or label the row otherwise if it is a record",
    ),
}


def leave_out(
    cells: pd.DataFrame, body: pd.DataFrame, heads: pd.Series, table: Table, found: Findings
) -> pd.DataFrame:
    """Return a table's rows without those that are none; they are counted and named.

    `body` has the rows of `cells` under the columns that are read, `heads` their written headings.
    """
    filled = body.notna().to_numpy()
    full = filled.any(axis=1)
    first, last = (int(body.index[at]) for at in (0, -1)) if len(body) else (0, -1)
    gaps = pd.RangeIndex(first, last + 1).difference(body.index)  # a workbook has no blank rows
    found.skip(table.name, body.index[~full].append(gaps).sort_values(), "empty")
    if not full.all():
        cells, body, filled = cells[full], body[full], filled[full]
    begins, texts = _first(body, filled)
    reasons = _headings(cells, body, texts, heads, table, found)
    _name_totals(body, filled, begins, texts, table, reasons)
    _name_unread_totals(cells, body, texts, table, reasons)
    alone = (filled.sum(axis=1) == 1) & (reasons == "")
    if body.shape[1] > 2 and alone.any():
        alone[alone] = (cells[alone].notna().sum(axis=1) == 1).to_numpy()
        _name_alone(body, alone, begins, texts, table, reasons)
    for reason in dict.fromkeys(reasons[reasons != ""]):
        rows = body.index[reasons == reason]
        found.skip(table.name, rows, reason)
        if reason in _SAYS:
            values = pd.Series(texts[reasons == reason], index=rows)
            found.each(table.name, "", values, "read_as", *_SAYS[reason])
    return body if not (reasons != "").any() else body[reasons == ""]


def _first(body: pd.DataFrame, filled: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the position of each row's first filled cell, and its text."""
    begins = filled.argmax(axis=1) if len(body) else np.array([], dtype=int)
    texts = np.full(len(body), None, dtype=object)
    for at in np.unique(begins):
        texts[begins == at] = body.iloc[:, at].to_numpy(dtype=object)[begins == at]
    return begins, texts


def second_headings(cells: pd.DataFrame) -> list[int]:
    """Return the positions of rows that begin another table on the sheet.

    Such a row comes after an empty row or a title. It has words without digits alone, and at least
    two of them are in columns that hold numbers and days above it.
    """
    rows = cells.index.to_numpy()
    after = np.diff(rows, prepend=rows[:1]) > 1
    few = np.flatnonzero(cells.iloc[:-1, :_WIDE].count(axis=1) < 2)  # may be titles
    after[few[cells.iloc[few].count(axis=1).to_numpy() == 1] + 1] = True
    places = np.flatnonzero(after)
    filled = cells.iloc[places].notna().to_numpy()
    _, labels = _first(cells.iloc[places], filled)
    words_first = ~pd.Series(labels, dtype="str").str.contains(_DIGIT).to_numpy(dtype=bool)
    found = []
    for at in places[words_first & (filled.sum(axis=1) >= _WIDE)]:
        words = {place: str(word) for place, word in enumerate(cells.iloc[at]) if pd.notna(word)}
        if any(map(_DIGIT.search, words.values())) or len({*words.values()}) < len(words):
            continue
        named = [place for place, word in words.items() if len(word) > 1 and not is_ditto(word)]
        above = cells.iloc[max(0, at - _LOOK_BACK) : at, named].dropna(axis=1, how="all")
        digits = above.apply(lambda column: column.dropna().str.contains(_DIGIT).mean())
        if (digits >= _MOSTLY).sum() > 1:
            found.append(int(at))
    return found


def _headings(
    cells: pd.DataFrame,
    body: pd.DataFrame,
    texts: np.ndarray,
    heads: pd.Series,
    table: Table,
    found: Findings,
) -> np.ndarray:
    """Find rows that repeat the headings, and those under other headings."""
    reasons = np.full(len(body), "", dtype=object)
    if body.shape[1] < 2:
        return reasons
    other = second_headings(cells)
    like_heads = np.flatnonzero(pd.Series(texts, dtype=object).isin(list(heads)))
    rows = np.union1d(like_heads, other).astype(int)
    below = False
    for at, until in zip(rows, [*rows[1:], len(body)]):
        row = body.iloc[at].dropna()
        like = row.isin(list(heads)).sum()
        if like > 1 and row.eq(heads[row.index]).all():
            reasons[at] = "repeated heading"
            below = False
        elif at in other or (like > 1 and 2 * like > len(row)):
            reasons[at] = "other headings"
            below = True
            problem = "begins a second table with other headings; its rows are not read"
            fix = "move its cells under the first headings, or into a sheet of their own"
            found.add(table.name, int(body.index[at]), "", ", ".join(row), "error", problem, fix)
        if below:
            reasons[at:until] = "other headings"
    return reasons


def _name_totals(
    body: pd.DataFrame,
    filled: np.ndarray,
    begins: np.ndarray,
    texts: np.ndarray,
    table: Table,
    reasons: np.ndarray,
) -> None:
    """Find rows that begin with a word for a sum or an average, and examples."""
    needed = [column for column in table.columns.values() if column.needed]
    dates = {column.name for column in needed if column.kind == "date"}
    said = dates or {column.name for column in needed if column.kind == "name"}
    said_at = [at for at, name in enumerate(body.columns) if name in said]
    for at, text in enumerate(texts):
        if text[:1] not in _BEGIN or reasons[at]:
            continue
        text = text.strip()
        # A reed called Mean has a day, and a lot called Total a supplier.
        others = [p for p in said_at if p != begins[at] and filled[at, p]]
        if text.casefold() == EXAMPLE:
            reasons[at] = "example"
        elif not others and (match := _TOTAL.fullmatch(text)):
            reasons[at] = "total" if match[1] else "average"


def _name_unread_totals(
    cells: pd.DataFrame,
    body: pd.DataFrame,
    texts: np.ndarray,
    table: Table,
    reasons: np.ndarray,
) -> None:
    """Find rows whose word for a sum is in a column that is not read; no record is like that."""
    kinds = {c.name for c in table.columns.values() if c.needed and c.kind in ("date", "name")}
    kinds -= {"reed"}  # a label may be made of the row's number
    said = body[[name for name in body.columns if name in kinds]].notna().any(axis=1).to_numpy()
    rows = np.flatnonzero(~said & (reasons == ""))
    _, labels = _first(cells.iloc[rows], cells.iloc[rows].notna().to_numpy())
    for at, label in zip(rows, labels):
        text = str(label).strip()
        if text.casefold() == EXAMPLE:
            reasons[at] = "example"
        elif match := _TOTAL.fullmatch(text):
            reasons[at], texts[at] = "total" if match[1] else "average", text


def is_total(text: object) -> bool:
    """Say whether a row that begins with this text may be one of sums or averages."""
    return isinstance(text, str) and _TOTAL.fullmatch(text.strip()) is not None


def _name_alone(
    body: pd.DataFrame,
    alone: np.ndarray,
    begins: np.ndarray,
    texts: np.ndarray,
    table: Table,
    reasons: np.ndarray,
) -> None:
    """Say of each cell alone in its row whether it is a title, a label or a number."""
    shapes: set[str] = set()
    for at in np.flatnonzero(alone):
        name = body.columns[begins[at]]
        column = table.columns[name]
        if column.kind == "text" and not column.needed:
            continue  # a note, which is named when it is read
        if column.kind in NUMBERS:
            reasons[at] = "total"
        elif name == table.key:
            if not shapes:
                others = body.loc[~alone & (reasons == ""), name].dropna().unique()
                shapes = {_shape(other) for other in others}
            known = _shape(texts[at]) in shapes
            # A lot that has a label alone may have reeds.
            reasons[at] = "title" if not known else "label alone" if name != "lot" else ""
        else:
            reasons[at] = "title"


def _shape(text: object) -> str:
    """Return a label with its letters and digits as signs: R12 and S7 have one shape."""
    return re.sub(r"\d+", "9", re.sub(r"[^\W\d_]+", "a", str(text).strip()))
