"""A reed's outcome where the sheet has no word for it: a customer's name, a price, a tick, nothing.

The rules are those under ``[outcome]`` in ``bench.toml``; without them nothing is changed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.cell_values import BLANK, Trouble, read_number, read_word, text_of
from reedlab.records.read.sheets_as_text import Sheet, find_headings, heading_key
from reedlab.records.settings import Settings
from reedlab.records.tables import SHEETS, TABLES

_OUTCOME, _PRICE = (TABLES["reeds"].columns[name] for name in ("outcome", "sold_for"))
_NAME = re.compile(r"[^\W\d_]+\.?(?:[ .,&'’\-]+[^\W\d_]+\.?)*")
NOT_A_TICK = BLANK | {"no", "nein", "n", "0", "false", "non"}
"""What stands in a column of ticks and does not count as one."""


def with_outcomes(sheet: Sheet, settings: Settings) -> Sheet:
    """Return a sheet of reeds whose outcomes are written as words of the vocabulary.

    The maker's own word for it counts first, a dash among them, then a price or another word under
    the outcome, then an entry in a column in which any entry means an outcome.
    """
    rules = settings.outcome
    own = {_folded(word): meaning for word, meaning in settings.words.get("outcome", {}).items()}
    if not (rules.filled or rules.a_price or rules.a_name or own.keys() & BLANK):
        return sheet
    headings = find_headings(sheet, SHEETS["reeds"], settings)
    if headings.at < 0:
        return sheet
    place = headings.places.get("outcome", sheet.cells.shape[1])
    cells = sheet.cells.copy()
    if place not in cells:
        cells[place] = None
        cells.iat[headings.at, place] = "outcome"
    keys = [heading_key(heading) for heading in sheet.cells.iloc[headings.at]]
    signs = [
        (keys.index(key), outcome)
        for heading, outcome in rules.filled.items()
        if (key := heading_key(heading)) in keys
    ]
    for at in range(headings.at + 1, len(cells)):
        text = cells.iat[at, place]
        said = _meaning(text, own, settings) if isinstance(text, str) and text.strip() else None
        if said is None and (not isinstance(text, str) or text_of(text) is None):
            ticked = (outcome for sign, outcome in signs if _ticked(cells.iat[at, sign]))
            said = next(ticked, None)
        if said is not None:
            cells.iat[at, place] = said
    return replace(sheet, cells=cells)


def _meaning(text: str, own: dict[str, str], settings: Settings) -> str | None:
    """Return what a text under the outcome means by the rules; None if they do not say."""
    if meaning := own.get(_folded(text)):
        return meaning
    if text_of(text) is None or _reads(read_word, text, _OUTCOME, {}):
        return None
    if _reads(read_number, text, _PRICE, settings, None):
        return settings.outcome.a_price or None
    return (is_name(text) and settings.outcome.a_name) or None


def is_name(text: str) -> bool:
    """Say whether a text looks like a name: letters alone, the first a capital.

    >>> is_name("Dr. A. Weber"), is_name("so-so"), is_name("12")
    (True, False, False)
    """
    return text[:1].isupper() and _NAME.fullmatch(text.strip()) is not None


def _reads(read: Callable[..., object], text: str, *how: object) -> bool:
    try:
        read(text.strip(), *how)
    except Trouble:
        return False
    return True


def _ticked(cell: object) -> bool:
    return isinstance(cell, str) and cell.strip().casefold() not in NOT_A_TICK


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def old_and_empty(
    reeds: pd.DataFrame, settings: Settings, found: Findings, today: dt.date
) -> pd.DataFrame:
    """Give blanks that are old and have no outcome the one that the maker's rule says.

    Rows whose outcome could not be read keep their error; how many were filled in is said.
    """
    outcome, days = settings.outcome.when_old_and_empty, settings.outcome.old_days
    if not outcome or reeds.empty:
        return reeds
    old = reeds["tied_on"] < pd.Timestamp(today) - pd.Timedelta(days=days)
    unread = np.isin(reeds.index, list(found.rows("reeds", "outcome")))
    counts = [name for name in reeds if str(name).endswith("_count")]  # a batch has its own
    means = old & reeds["outcome"].isna() & ~unread & reeds[counts].isna().all(axis=1)
    n = int(means.sum())
    if n == 0:
        return reeds
    found.add(
        "reeds", None, "outcome", "", "read_as",
        f"is empty for {n:,} blank{'s' * (n != 1)} older than {days:g} days, read as {outcome}",
        "leave it, or change when_old_and_empty under [outcome] in bench.toml",
    )  # fmt: skip
    return reeds.assign(outcome=reeds["outcome"].mask(means, outcome))
