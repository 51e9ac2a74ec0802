"""The rows of a pencil sheet, kept in the bench, and what is typed back from it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import RecordError
from reedlab.records.bench import as_today
from reedlab.records.entries import note, noted
from reedlab.records.store import alone_in, write_table
from reedlab.records.tables import FAULTS, STRENGTHS, TABLES

FOLDER = "sheets"
ROWS = 10
_COLUMNS = ("place", "reed", "lot", "tied_on", "maker", "style")

ENDINGS: dict[str, dict[str, str]] = {
    "g": {"outcome": "good"},
    "p": {"outcome": "playable"},
    "n": {"outcome": "reject", "lost_at": "play"},
    "r": {"outcome": "given_up", "lost_at": "rough"},
    "f": {"outcome": "reject", "lost_at": "finish"},
}
"""How a reed ended, by its key: good, plays, no, lost at roughing, lost at finishing."""
CROWS = {"-": "flat", "o": "on", "+": "sharp"}
OPENINGS = {"s": "small", "m": "medium", "l": "large"}

KEYS = (
    "Keys: g good, p plays, n no, r lost at roughing, f lost at finishing; 1 to 5 strength, or the "
    "fault after n, r, f; - o + crow; s m l opening; k seals, u does not; a note behind /. "
    "Empty: nothing new."
)
BATCH = {
    "lot": "lot",
    "maker": "by",
    "tied_on": "tied on (2026-03-05)",
    "staple": "staple, if it is written there",
    "tied_mm": "tied (mm)",
    "place": "place of the first one in the board",
    "rh_pct": "room (%)",
    "rough_on": "roughed on, if they are",
    "finished_on": "finished on, if they are",
    "judged_on": "day of the verdicts, if there are any",
}
"""What is asked of a batch, in words."""
MINUTES = {"tie": "tied_on", "rough": "rough_on", "finish": "finished_on"}
"""The stages whose minutes are asked for the whole batch, and the day of each."""


@dataclass(frozen=True)
class PencilSheet:
    """A pencil sheet of one batch."""

    number: int  # printed on the sheet
    # one row a reed, in the order of the sheet: place, reed, lot, tied_on, maker, style; text
    rows: pd.DataFrame


def new_sheet(bench: Any, lot: str = "", rows: int = ROWS) -> PencilSheet:
    """Keep the rows of a new sheet, 1 to 12, in the bench: labels that no reed has yet.

    The lot may be written on the sheet by hand and typed later. Raises RecordError when the bench
    is not a folder, the lot is not in it, or the rows do not fit on a sheet.
    """
    folder = _folder(bench.path)
    if lot and lot not in set(bench.tables["lots"]["lot"].dropna().astype(str)):
        raise RecordError(
            f"the lot {lot!r} is not in lots: add it there, or leave it to the pencil."
        )
    if not 1 <= rows <= 12:
        raise RecordError(f"a sheet has 1 to 12 rows, not {rows}.")
    with alone_in(folder / FOLDER):
        number = 1 + max((int(path.stem) for path in sheets_of(folder)), default=0)
        labels = _next_labels(labels_in_use(bench), rows)
        frame = pd.DataFrame({"reed": labels, "lot": lot})
        frame = frame.reindex(columns=list(_COLUMNS), fill_value="")
        write_table(frame, folder / FOLDER / f"{number}.csv")
    return PencilSheet(number, frame)


def open_sheet(folder: Path, number: int) -> PencilSheet:
    """Read the rows of a sheet that is kept in a bench.

    Raises
    ------
    RecordError
        When there is no sheet of that number.
    """
    path = _folder(folder) / FOLDER / f"{number}.csv"
    if not path.exists():
        known = ", ".join(p.stem for p in sheets_of(folder))
        what = f"the sheets are {known}" if known else "write one with 'reedlab sheet' first"
        raise RecordError(f"there is no sheet {number} in {folder}: {what}.")
    return PencilSheet(number, _rows_of(path))


def _folder(path: Path | None) -> Path:
    if path is None or not path.is_dir():
        name = "a bench" if path is None else path
        raise RecordError(
            f"{name} is no folder: sheets are kept in a bench's folder, so give that."
        )
    return path


def labels_in_use(bench: Any) -> list[str]:
    """Return the labels of a bench's reeds, and those that its pencil sheets keep for blanks."""
    sheets = (_rows_of(path)["reed"] for path in sheets_of(_folder(bench.path)))
    used = (*bench.tables["reeds"]["reed"].dropna(), *(label for its in sheets for label in its))
    return [str(label) for label in used]


def sheets_of(folder: Path) -> list[Path]:
    """Return the files of a bench's sheets, by number."""
    found = (p for p in (folder / FOLDER).glob("*.csv") if p.stem.isdigit())
    return sorted(found, key=lambda path: int(path.stem))


def _rows_of(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path, dtype=str, encoding="utf-8-sig", keep_default_na=False)
    return frame.reindex(columns=list(_COLUMNS), fill_value="")


def _next_labels(used: list[str], count: int) -> list[str]:
    """Count on from the highest label, in the form that labels have: R700, then R701."""
    split = [m for label in used if (m := re.fullmatch(r"(\D*)(\d+)", label))]
    if not split:
        return [str(n) for n in range(1, count + 1)]
    last = max(split, key=lambda m: int(m[2]))
    return _counted_on(last[0], count + 1)[1:]


def _counted_on(first: str, count: int) -> list[str]:
    """Count on from a label or a place in its form: R007, R008; what has no number stays alike."""
    match = re.fullmatch(r"(.*?)(\d+)", first)
    if not match:
        return [first] * count
    head, number = match[1], match[2]
    width = len(number) if number.startswith("0") or head else 0
    return [f"{head}{n:0{width}d}" for n in range(int(number), int(number) + count)]


def read_keys(keys: str) -> dict[str, str]:
    """Read what was typed for one reed: one key a cell, in any order.

    ``g`` good, ``p`` plays, ``n`` no, ``r`` lost at roughing, ``f`` lost at finishing; ``1`` to
    ``5`` the strength from soft to hard, or after ``n``, ``r``, ``f`` a digit for the fault; ``- o
    +`` the crow; ``s m l`` the opening; ``k`` seals, ``u`` does not; behind ``/`` a note. Raises
    RecordError for a key that is none of these, and for two keys for one cell.

    Examples
    --------
    >>> read_keys("g3"), read_keys("n4")["fault"]
    ({'outcome': 'good', 'strength': 'medium'}, 'flat')
    """
    keys, _, note_typed = keys.partition("/")
    cells = {"note": note_typed.strip()} if note_typed.strip() else {}
    typed = keys.strip().casefold().replace(" ", "")
    lost = any(key in "nrf" for key in typed)
    for key in typed:
        if key in ENDINGS:
            new = ENDINGS[key]
        elif key.isdigit() and lost:
            new = {"fault": "other" if key == "0" else FAULTS[int(key) - 1]}
        elif key in "12345":
            new = {"strength": STRENGTHS[int(key) - 1]}
        elif key in CROWS:
            new = {"crow": CROWS[key]}
        elif key in OPENINGS:
            new = {"opening": OPENINGS[key]}
        elif key in "ku":
            new = {"seals": "yes" if key == "k" else "no"}
        else:
            raise RecordError(f"{key!r} is not a key: use g p n r f, 0 to 9, - o +, s m l, k u.")
        if twice := [name for name in new if name in cells]:
            raise RecordError(f"{typed!r} gives {twice[0]} twice: type one key for it.")
        cells |= new
    return cells


DAYS = ("tied_on", "rough_on", "finished_on", "judged_on")
"""Days of a batch; those of later steps are asked for once, not a reed."""
_MEASURES = {
    "minutes": ("rough_min", "minutes"), "tied_mm": ("tied_mm", "mm"), "rh_pct": ("rh_pct", "%"),
}  # fmt: skip
"""Numbers of a batch: the column whose limits they keep to, and their unit."""


def save_typed(
    folder: Path,
    sheet: PencilSheet,
    batch: Mapping[str, str],
    typed: Sequence[str],
    minutes: Mapping[str, str],
) -> str:
    """Note what was typed from a sheet as entries, which leave the maker's own files alone.

    `batch` is what all its reeds share, by the names in `BATCH`; `typed` the keys of each row, see
    `read_keys`. `minutes` are of the batch at the stages in `MINUTES`; they are not divided, and
    take the place of those that were typed of this sheet before. How many reeds and sittings were
    noted is returned in words. Raises RecordError when a day is not a valid date, or minutes are
    not a number.
    """
    shared = {name: read_shared(name, value) for name, value in batch.items() if value}
    spent = {stage: read_shared("minutes", value) for stage, value in minutes.items() if value}
    judged, first = shared.pop("judged_on", ""), shared.pop("place", "")
    now = f"{dt.datetime.now():%Y-%m-%d %H:%M}"
    known = sheet.rows.assign(**{n: "" for n in shared if n not in sheet.rows})
    if first:
        known["place"] = _counted_on(first, len(known))
    known = known.mask(known == "").fillna(shared)
    rows = []
    for (_, reed), keys in zip(known.iterrows(), typed, strict=True):
        cells = read_keys(keys)
        own = reed.dropna().to_dict()
        if cells.get("lost_at") == "rough":
            own.pop("finished_on", None)
        if "outcome" in cells and judged:
            cells["judged_on"] = judged
        if cells or shared or first:
            rows.append({"noted_at": now, **own, **cells})
    if rows:
        note(folder, "reeds", pd.DataFrame(rows))
    if spent:
        shown = known.iloc[0]
        sittings = [
            {"noted_at": now, "date": shown.get(MINUTES[stage]) or judged or now[:10],
             "maker": shown["maker"], "stage": stage, "reeds": _timed(folder, known["reed"], stage),
             "minutes": took}
            for stage, took in spent.items()
        ]  # fmt: skip
        before = noted(folder, "sittings")
        again = before["stage"].isin(list(spent)) & before["reeds"].str.rstrip(";").str.split(
            "; "
        ).map(lambda labels: {*labels} <= {*known["reed"]})
        taken_back = [{"noted_at": now, "undoes": entry} for entry in before.loc[again, "entry"]]
        note(folder, "sittings", pd.DataFrame([*taken_back, *sittings]))
    counts = ((len(rows), "reed"), (len(spent), "sitting"))
    return " and ".join(f"{n} {name}{'s' * (n != 1)}" for n, name in counts)


def _timed(folder: Path, labels: pd.Series, stage: str) -> str:
    """Name the reeds that were worked on at a stage: none that was lost before."""
    its = list(labels)
    if stage == "finish":
        typed = noted(folder, "reeds").drop_duplicates("reed", keep="last")
        lost = typed.loc[typed["lost_at"] == "rough", "reed"]
        its = [label for label in its if label not in {*lost}]
    return "; ".join(its) + ";" * (len(its) == 1)  # a single label alone would be a count


def read_shared(name: str, written: str, before: Mapping[str, str] = MappingProxyType({})) -> str:
    """Read what is typed of a whole batch: a day, a measure, a place, or ``minutes``.

    Parameters
    ----------
    name : str
        A name in `BATCH`, or ``minutes``.
    written : str
        What was typed; empty stays empty, and what is none of these stays as it is.
    before : mapping of str to str
        What is known of the batch already: no step is done before the one it follows.

    Raises
    ------
    RecordError
        For a day that is no valid date, lies ahead or before an earlier step's, for a measure that
        is no number or cannot be, and for a place without a number.

    Examples
    --------
    >>> read_shared("minutes", "44,5")
    '44.5'
    """
    if written and name in DAYS:
        return _read_day(written, [before.get(day, "") for day in DAYS[: DAYS.index(name)]])
    if written and name in _MEASURES:
        column, unit = _MEASURES[name]
        if not re.fullmatch(r"\d{1,4}([.,]\d+)?", written):
            raise RecordError(f"{written!r} is not a number of {unit}: write it as 38 or 72.5.")
        low, high = TABLES["reeds"].columns[column].possible or (0, np.inf)
        if not low <= float(written.replace(",", ".")) <= high:
            raise RecordError(f"{written} {unit} cannot be: write {low:g} to {high:g} {unit}.")
        return written.replace(",", ".")
    if written and name == "place" and not written[-1].isdecimal():
        raise RecordError(f"{written!r} has no number: write the first one's place, such as 11.")
    return written


def _read_day(written: str, earlier: Sequence[str]) -> str:
    try:
        day = dt.date.fromisoformat(written).isoformat()
    except ValueError as error:
        raise RecordError(f"{written!r} is not a valid date: write it as 2026-03-05.") from error
    today, last = as_today().isoformat(), max(earlier, default="")
    if day > today:
        raise RecordError(f"{day} is in the future: write a day up to {today}.")
    if day < last:
        raise RecordError(f"{day} is before the step before it: write a day from {last} on.")
    return day
