"""A copy of the records to work out a report from that others will read."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from reedlab.records.bench import Bench, open_bench
from reedlab.records.settings import FILE, Settings
from reedlab.records.store import write_table, write_text
from reedlab.records.tables import TABLES

_PEOPLE = ("maker", "judge", "operator")
"""Columns that name people at the bench, who get a number instead."""
_LEFT_OUT = ("customer", "note", "return_reason")
_PRIVATE = {*_PEOPLE, *_LEFT_OUT, "order"}
_OF_HER_SHEETS = frozenset(
    {"columns", "words", "tables", "files", "outcome", "date_order", "maker", "week"}
)
"""Settings for reading her own sheets and planning her week, which the copy does not need."""


def copy_to_send(bench: Bench, folder: Path) -> Bench:
    """Write a copy of the records without open orders, customers, notes and makers' names.

    It goes to a new folder and is opened on the same day. Every other cell is as it was read, so it
    answers every question of the report alike; makers are ``maker 1``, ``maker 2`` and so on, in
    the order of their names, and other judges are numbered after them. Of orders that were sent the
    day is kept, so that their reeds do not count as stock.
    """
    names = _numbered(bench)
    orders = {order: f"order {at}" for at, order in enumerate(bench.tables["orders"]["order"], 1)}
    for name, table in bench.tables.items():
        rows = table.astype(object).drop(columns=[c for c in _LEFT_OUT if c in table])
        for column in _PEOPLE:
            if column in rows:
                rows[column] = rows[column].map(names, na_action="ignore")
        if "order" in rows:
            rows["order"] = rows["order"].map(orders, na_action="ignore")
        if name == "orders":
            rows = rows.loc[rows["sent_on"].notna(), ["order", "reeds", "by", "sent_on"]]
        if name == "reeds":  # neither known nor pending, there as here
            rows.loc[rows.index.isin(bench.unread_outcomes), "outcome"] = "not read"
        if len(rows):
            needed = TABLES[name].needed
            kept = [c for c in rows if c in needed or rows[c].notna().any()]
            write_table(rows[kept], folder / f"{name}.csv")
    write_text(_settings(bench.settings), folder / FILE)
    return open_bench(folder, bench.today)


def _numbered(bench: Bench) -> dict[str, str]:
    """Give makers a number in the order of their names, and others at the bench one after them."""
    found: dict[str, None] = {}
    for column in _PEOPLE:
        given = [table[column].dropna() for table in bench.tables.values() if column in table]
        found |= dict.fromkeys(sorted({str(name) for names in given for name in names}))
    wide = len(str(len(found)))
    return {name: f"maker {at:0{wide}}" for at, name in enumerate(found, start=1)}


def _settings(settings: Settings) -> str:
    """Write the settings that a copy needs, a line each."""
    lines = {f.name: getattr(settings, f.name) for f in fields(Settings)}
    lines["success"] = sorted(settings.success)
    lines["heated"] = [
        {"from": first} | ({"to": last} if last else {}) for first, last in settings.heated
    ]
    lines["usual"] = [
        {"from": block.since, **{k: v for k, v in block.values.items() if k not in _PRIVATE}}
        for block in settings.usual
    ]
    kept = {k: v for k, v in lines.items() if v is not None and k not in _OF_HER_SHEETS}
    return "".join(f"{name} = {_toml(value)}\n" for name, value in ({"format": 1} | kept).items())


def _toml(value: Any) -> str:
    """Write a value as TOML, tables on one line."""
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{json.dumps(k)} = {_toml(v)}' for k, v in value.items())}}}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    plain = isinstance(value, str | int | float)  # as in JSON; a day is written bare
    return json.dumps(value, ensure_ascii=False) if plain else f"{value}"
