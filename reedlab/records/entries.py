"""Entries beside a maker's own sheet: what was typed from paper or noted on a phone.

The folder ``entries`` of a bench holds CSV files whose names begin with a table, ``reeds`` or
``sittings``. They have exactly that table's columns, and before them ``entry`` (the device's letter
and a counter, such as ``A-17``), ``noted_at`` and ``undoes`` (the entry that this one takes back).
A row says what was noted of one reed, so that one reed may have many; they are joined to the
maker's rows cell by cell, and her files are never written to.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from reedlab.errors import RecordError
from reedlab.records.findings import Findings
from reedlab.records.read.parsing import parse_table
from reedlab.records.read.sheets_as_text import as_table, read_csv
from reedlab.records.settings import Settings
from reedlab.records.store import alone_in, protected, write_table
from reedlab.records.tables import TABLES, Column, Table

FOLDER = "entries"
DESK = "D"
"""The letter of what is noted at the computer."""
KINDS = ("reeds", "sittings")
BENCH_ID = Path("phone") / "id.txt"
"""The file of a bench's identifier, which its phone pages share."""
_CODE, _OF_BENCH = 6, 6
"""A phone's own part of its label, and the part of the identifier that follows it."""
_OWN = (
    Column("entry", "name", "the device's letter and a counter", needed=True),
    Column("noted_at", "time", "when it was noted"),
    Column("undoes", "name", "the entry that this one takes back"),
)
_SAME_REED = ("tied_on", "maker")
"""Two values of these under one label are two reeds."""


Origins = dict[tuple[str, int], tuple[str, int]]
"""Of a table's row that came from elsewhere its file and row there."""


def entry_table(kind: str) -> Table:
    """Return the table that a file of entries holds: an entry's own columns, then the table's."""
    own = {c.name: c for c in _OWN}
    columns = {n: replace(c, needed=False) for n, c in TABLES[kind].columns.items()}
    return Table(FOLDER, f"an entry of {kind}", MappingProxyType(own | columns), "")


def read_entries(folder: Path, kind: str, settings: Settings, found: Findings) -> pd.DataFrame:
    """Read a bench's entries of one table, the ones taken back left out.

    `found` receives what is wrong, under the name of the file. The columns are those of
    `entry_table`, ``device`` (its letter), ``number`` (its counter), ``file`` and ``file_row``; in
    the order in which they were noted, device by device. An entry that is there twice counts once.
    """
    parts = [
        part.assign(file=f"{FOLDER}/{path.name}", file_row=part.index)
        for path in sorted((folder / FOLDER).glob(f"{kind}*.csv"))
        for part in _read(path, entry_table(kind), settings, found)
    ]
    columns = [*entry_table(kind).columns, "file", "file_row"]
    if not parts:
        return pd.DataFrame(columns=[*columns, "device", "number"])
    rows = pd.concat(parts, ignore_index=True)[columns].dropna(subset=["entry"])
    split = rows["entry"].astype(str).str.extract(r"^(.*?)-?(\d*)$")
    rows["device"], rows["number"] = split[0], pd.to_numeric(split[1]).fillna(0).astype(int)
    rows = rows.sort_values(["device", "number"], kind="stable").drop_duplicates("entry")
    taken_back = rows["entry"].isin(rows["undoes"].dropna())
    return rows[~taken_back & rows["undoes"].isna()].reset_index(drop=True)


def _read(path: Path, table: Table, settings: Settings, found: Findings) -> Iterator[pd.DataFrame]:
    named = replace(table, name=f"{FOLDER}/{path.name}")
    sheet = read_csv(path, named, settings, found)
    if sheet is not None:
        cells, origin = as_table(sheet, named, settings, found)
        yield parse_table(named, cells, settings, found, origin)


def join_entries(
    folder: Path, tables: dict[str, pd.DataFrame], settings: Settings, found: Findings
) -> Origins:
    """Join a bench's entries to its tables, cell by cell, in place.

    An empty cell of the maker's is filled. Where hers has another value, hers holds and a finding
    shows both. Of one device the last entry counts; of two devices the one that noted it last, with
    a finding. A label with two days of tying or two makers, or tied on two phones, is two reeds.
    Returned is, of each row that was added to ``reeds`` or ``sittings``, its file and row there.
    """
    if not (folder / FOLDER).is_dir():
        return {}
    origins: Origins = {}
    entries = read_entries(folder, "reeds", settings, found).dropna(subset=["reed"])
    if len(entries):
        tables["reeds"] = _with_reeds(tables["reeds"], entries, found, origins)
    sittings = read_entries(folder, "sittings", settings, found)
    if len(sittings):
        tables["sittings"] = _added(
            "sittings",
            tables["sittings"],
            sittings[list(TABLES["sittings"].columns)],
            sittings,
            found,
            origins,
        )
    return origins


def _with_reeds(
    hers: pd.DataFrame,
    entries: pd.DataFrame,
    found: Findings,
    origins: Origins,
) -> pd.DataFrame:
    """Fill her rows from the entries, and add the reeds that only the entries have."""
    names = [name for name in TABLES["reeds"].columns if name != "reed"]
    entries = entries.assign(reed=_apart(hers, entries, found))
    # Of one device the last entry that says something of a cell counts: last() skips empty ones.
    own = entries.groupby(["reed", "device"], sort=False)[names].last()
    noted = entries.groupby(["reed", "device"], sort=False)["noted_at"].max()
    files = entries.drop_duplicates("reed", keep="last").set_index("reed")[["file", "file_row"]]
    own = own.assign(noted_at=noted).sort_values("noted_at", kind="stable", na_position="first")
    joined = own.groupby("reed", sort=False)[names].last()
    _say_devices(own, names, files, found)
    filled, rows = hers.copy(), pd.Series(hers.index, index=hers["reed"].astype(object))
    rows = rows[~rows.index.duplicated()]
    known = [label for label in joined.index if label in rows.index]
    for name in names:
        column = joined.loc[known, name].dropna()
        at = rows[column.index].to_numpy()
        there = filled.loc[at, name]
        differ = there.notna().to_numpy() & (there.to_numpy() != column.to_numpy())
        for label, row in zip(column.index[differ], at[differ]):
            _say_conflict(name, label, row, filled.at[row, name], column[label], files, found)
        empty = there.isna().to_numpy()
        filled.loc[at[empty], name] = column[empty].to_numpy()
    new = joined[~joined.index.isin(known)].reset_index()
    places = files.loc[new["reed"]].reset_index(drop=True)
    return _added("reeds", filled, new, places, found, origins)


def _apart(hers: pd.DataFrame, entries: pd.DataFrame, found: Findings) -> pd.Series:
    """Give a label of its own to a reed that another day, maker or phone has under that label."""
    labels = entries["reed"].astype(object)
    first = hers.dropna(subset=["reed"]).drop_duplicates("reed").set_index("reed")
    of_reed = entries.groupby(["reed", "device"], sort=False)[list(_SAME_REED)].last()
    settled: dict[object, pd.Series] = {label: first.loc[label] for label in first.index}
    tied: dict[object, str] = {}
    for (label, device), row in of_reed.iterrows():
        known = settled.setdefault(label, row)
        both = [n for n in _SAME_REED if pd.notna(row[n]) and pd.notna(known[n])]
        differ = [f"with another {name}" for name in both if row[name] != known[name]]
        # A phone notes that day only of what it ties: two phones may have one letter by mistake.
        if pd.notna(row["tied_on"]) and device != DESK and tied.setdefault(label, device) != device:
            differ.append("from another phone")
        if not differ:
            continue
        mine = (entries["reed"] == label) & (entries["device"] == device)
        own = f"{label} ({device[:_CODE]})"
        labels = labels.mask(mine, own)
        at = entries[mine].iloc[0]
        found.add(
            at["file"], int(at["file_row"]), "reed", label, "warning",
            f"is already the label of a reed {differ[0]}; this one is called {own}",
            "give one of the two a new label",
        )  # fmt: skip
    return labels


def _say_devices(own: pd.DataFrame, names: list[str], files: pd.DataFrame, found: Findings) -> None:
    """Name cells that two devices noted differently: the one noted last counts."""
    several = own[own.index.get_level_values("reed").duplicated(keep=False)]
    for label, rows in several.groupby("reed", sort=False):
        for name in names:
            values = rows[name].dropna()
            if values.nunique() > 1:
                file, row = files.loc[label]
                found.add(
                    file, int(row), name, values.iloc[-1], "warning",
                    f"of reed {label} is {_text(values.iloc[0])} on another device; the one noted "
                    "last counts",
                    "write the right one into your own sheet",
                )  # fmt: skip


def _say_conflict(
    name: str, label: object, row: int, hers: object, theirs: object, files: pd.DataFrame,
    found: Findings,
) -> None:  # fmt: skip
    file, at = files.loc[label]
    found.add(
        file, int(at), name, theirs, "warning",
        f"of reed {label} is {_text(hers)} in your own sheet, and that holds",
        f"write {_text(theirs)} into row {row} of reeds, if that is right",
    )  # fmt: skip


def _text(value: object) -> str:
    return f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else f"{value}"


def _added(
    name: str,
    table: pd.DataFrame,
    new: pd.DataFrame,
    files: pd.DataFrame,
    found: Findings,
    origins: Origins,
) -> pd.DataFrame:
    """Put rows behind all of a table's sheet and note where they come from."""
    start = max(found.last_row(name), int(table.index.max()) if len(table) else 1) + 1
    rows = new.reindex(columns=table.columns).astype(table.dtypes.to_dict())
    rows.index = pd.RangeIndex(start, start + len(rows), name=table.index.name)
    places = zip(rows.index, files["file"], files["file_row"])
    origins.update({(name, row): (file, int(at)) for row, file, at in places})
    return pd.concat([table, rows]) if len(table) else rows


def note(folder: Path, kind: str, rows: pd.DataFrame, device: str = DESK) -> Path:
    """Add entries to a bench, in a file of their own, atomically; return that file.

    A row has columns of the table and ``noted_at``; the device is a letter.
    """
    with alone_in(folder / FOLDER):
        path = _file(folder, kind, device)
        before = _stored(path)
        numbers = before["entry"].str.removeprefix(f"{device}-")
        first = int(pd.to_numeric(numbers, errors="coerce").max() if len(before) else 0) + 1
        labels = [f"{device}-{number}" for number in range(first, first + len(rows))]
        entries = pd.concat([before, rows.astype(object).assign(entry=labels)], ignore_index=True)
        return _store(entries, kind, path)


def noted(folder: Path, kind: str) -> pd.DataFrame:
    """Return the desk's entries of one table as text, those that are taken back left out."""
    rows = _stored(_file(folder, kind, DESK)).reindex(
        columns=list(entry_table(kind).columns), fill_value=""
    )
    gone = rows["entry"].isin(rows["undoes"]) | (rows["undoes"] != "")
    return rows[~gone]


def _stored(path: Path) -> pd.DataFrame:
    if not path.exists():
        return pd.DataFrame({"entry": pd.Series(dtype=str)})
    return pd.read_csv(path, dtype=str, encoding="utf-8-sig", keep_default_na=False)


def _store(entries: pd.DataFrame, kind: str, path: Path) -> Path:
    order = [name for name in entry_table(kind).columns if name in entries]
    return write_table(entries[order].fillna(""), path, replace=True)


def numbers_by_device(folder: Path) -> dict[str, list[tuple[int, int]]]:
    """Return the numbers of a bench's entries, as ranges, both ends included, by device."""
    found: dict[str, set[int]] = {}
    for kind in KINDS:
        for path in sorted((folder / FOLDER).glob(f"{kind}-*.csv")):
            for label in _stored(path)["entry"]:
                device, _, number = label.rpartition("-")
                if number.isdecimal():
                    found.setdefault(device, set()).add(int(number))
    return {device: _ranges(sorted(numbers)) for device, numbers in found.items()}


def _ranges(numbers: list[int]) -> list[tuple[int, int]]:
    """Join numbers in order that follow each other."""
    ranges: list[tuple[int, int]] = []
    for number in numbers:
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], number)
        else:
            ranges.append((number, number))
    return ranges


@dataclass(frozen=True)
class Gathered:
    """What came of gathering a file.

    Attributes
    ----------
    added, known : int
        Entries that are new, and those that the bench had already.
    differing : tuple of str
        Entries that the bench had with other values, and which are not taken.
    """

    added: int
    known: int
    differing: tuple[str, ...]


def gather(folder: Path, text: str, name: str, *, meant: bool = False) -> Gathered:
    """Take the entries of a phone's export into a bench, each once.

    The export is CSV with ``entry`` and columns of reeds, of sittings or of both. A row that names
    a ``reed`` is an entry of reeds, one that names ``reeds`` an entry of sittings. `name` is what
    to call it in an error. If `meant`, entries from a phone page of another bench are taken too,
    and later ones of that phone come by themselves. Raises RecordError, and takes nothing, when the
    text holds no entries, was cut on its way, or comes from a phone page of another bench.
    """
    if not folder.is_dir():
        raise RecordError(f"{folder} is not a folder: give the folder with your records.")
    rows = _export(text, name)
    if not meant and _of_another_bench(rows, folder):
        raise RecordError(
            f"{name} comes from a phone page of another bench: gather it into that one, or say "
            "that it is meant for this one (--meant)."
        )
    rows["kind"] = _kinds(rows, folder, name)
    added, known, differing = 0, 0, []
    with alone_in(folder / FOLDER):
        for (kind, device), own in rows.groupby(
            ["kind", rows["entry"].str.rpartition("-")[0]], sort=True
        ):
            path = _file(folder, kind, device)
            own = own[[c for c in entry_table(kind).columns if c in own]]
            before = _stored(path)
            there = own["entry"].isin(before["entry"])
            differing += _differing(before, own[there])
            known += int(there.sum())
            added += int((~there).sum())
            if (~there).any():
                _store(pd.concat([before, own[~there]], ignore_index=True), kind, path)
    return Gathered(added, known - len(differing), tuple(differing))


def _of_another_bench(rows: pd.DataFrame, folder: Path) -> bool:
    """Say whether a phone that is new to a bench carries another bench's identifier.

    Labels that are shorter carry none: they are older, or a person's own.
    """
    its = folder / BENCH_ID
    own = its.read_text("utf-8").strip()[:_OF_BENCH] if its.exists() else ""
    devices = rows["entry"].str.rpartition("-")[0].unique()
    return any(
        len(device) == _CODE + _OF_BENCH and device[_CODE:] != own
        for device in devices
        if not any(_file(folder, kind, device).exists() for kind in KINDS)
    )


_ENTRY = re.compile(r"\w{1,12}-\d{1,9}")
_NAMED = {"reeds": "reed", "sittings": "reeds"}
"""The column that an entry of each kind fills in."""


def _file(folder: Path, kind: str, device: str) -> Path:
    return folder / FOLDER / f"{kind}-{device}.csv"


def _export(text: str, name: str) -> pd.DataFrame:
    """Read an export as text; a row that was cut, or a label that is none, refuses it all."""
    try:
        lines = [line for line in csv.reader(StringIO(text.lstrip("\ufeff").strip())) if line]
    except csv.Error as error:
        raise RecordError(f"{name} is not a CSV export: send it from the phone again.") from error
    heading = [cell.strip() for cell in lines[0]] if lines else []
    if "entry" not in heading or not {*_NAMED.values()} & {*heading}:
        raise RecordError(
            f"{name} holds no entries: it needs a column entry, and reed or reeds and minutes."
        )
    tables = [entry_table(kind).columns for kind in KINDS]
    if unknown := [c for c in heading if not any(c in columns for columns in tables)]:
        raise RecordError(
            f"{name} has a column {unknown[0]!r} that a bench does not have: send it again from a "
            "phone page of this reedlab."
        )
    for number, line in enumerate(lines[1:], start=2):
        if len(line) != len(heading):
            raise RecordError(
                f"{name} is cut in row {number}, which has {len(line)} of {len(heading)} cells: "
                "send or copy all of it again."
            )
    rows = pd.DataFrame(lines[1:], columns=heading, dtype=object)
    for label in rows["entry"]:
        if not _ENTRY.fullmatch(label):
            raise RecordError(f"{name} has an entry {label!r}: write it as A-17.")
    return rows


def _kinds(rows: pd.DataFrame, folder: Path, name: str) -> pd.Series:
    """Say which table each row belongs to: by what it names, or by the entry that it takes back."""
    filled = rows.reindex(columns=[*_NAMED.values(), "undoes"], fill_value="") != ""
    kinds = pd.Series("", index=rows.index, dtype=object)
    for kind, column in _NAMED.items():
        kinds = kinds.mask(filled[column], kind)
    of = dict(zip(rows["entry"], kinds))
    for at in rows.index[filled["undoes"] & (kinds == "")]:
        undone = rows.at[at, "undoes"]
        device = undone.rpartition("-")[0]
        stored = (k for k in KINDS if _ENTRY.fullmatch(undone)
                  and undone in set(_stored(_file(folder, k, device))["entry"]))  # fmt: skip
        kinds[at] = of.get(undone) or next(stored, KINDS[0])
    for at, kind in kinds.items():
        if not kind:
            raise RecordError(
                f"{name} has an entry {rows.at[at, 'entry']} that names no reed: "
                "send it from the phone again."
            )
        strange = [c for c in rows.columns if c not in entry_table(kind).columns and rows.at[at, c]]
        if strange:
            raise RecordError(
                f"{name} has an entry {rows.at[at, 'entry']} of {kind} with {strange[0]}, which "
                f"{kind} do not have: send it from the phone again."
            )
    return kinds


def _differing(before: pd.DataFrame, again: pd.DataFrame) -> list[str]:
    """Name entries that came again with other values."""
    columns = [c for c in again.columns if c != "entry"]
    old = before.drop_duplicates("entry").set_index("entry").reindex(again["entry"])
    old = old.reindex(columns=columns, fill_value="")
    new = protected(again.set_index("entry")[columns])
    return list(new.index[(new != old).any(axis=1)])
