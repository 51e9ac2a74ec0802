"""Names that are nearly the same: most likely one name in two spellings."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations

import pandas as pd
from rapidfuzz.distance import OSA

from reedlab.records.findings import Findings
from reedlab.records.tables import TABLES

_NAMED = {
    **dict.fromkeys(("supplier", "grower", "hardness_class"), ("lots",)),
    "maker": ("reeds", "tally", "sittings"),
    **dict.fromkeys(("judge", "shape", "staple", "thread", "gouger"), ("reeds",)),
    "hardness_gauge": ("pieces",),
    "operator": ("gauge",),
}
"""The columns whose names are compared, and the tables that have them."""

_LOOKS = str.maketrans("oli", "011")
_MANY_ROWS = 3  # beyond, a line in bench.toml is less work
_MOST_NAMES = 400  # beyond, they are labels rather than names, and there are too many pairs


def unify(tables: dict[str, pd.DataFrame], found: Findings) -> None:
    """Read names that differ only in capitals as one, in `tables`, with a finding for each row.

    A supplier or maker is read in its commoner spelling, a lot, piece or reed as in its own table.
    Otherwise ochre and Ochre would be compared as two suppliers.
    """
    for column, places, counts in _counted(tables):
        common = sorted(counts.index, key=lambda name: (-counts[name], name))
        for table in places:
            _respell(tables, table, column, capitals(common, common), found)
    for table, declared in TABLES.items():
        for name, refers in ((c.name, c.refers) for c in declared.columns.values() if c.refers):
            labels, known = tables[table][name], tables[refers][TABLES[refers].key].dropna()
            if labels.isna().all():
                continue
            astray = labels[labels.notna() & ~labels.isin(known)].unique()
            if len(astray):
                alike = Counter(label.casefold() for label in known.unique())
                one = [label for label in known.unique() if alike[label.casefold()] == 1]
                _respell(tables, table, name, capitals(astray, one), found)


def _counted(tables: Mapping[str, pd.DataFrame]) -> Iterator[tuple[str, list[str], pd.Series]]:
    """Yield each column of names, the tables that fill it in, and how often each name is there."""
    for column, having in _NAMED.items():
        places = [table for table in having if tables[table][column].notna().any()]
        if places:
            counts = pd.concat([tables[table][column] for table in places]).value_counts()
            yield column, places, counts


def capitals(names: Iterable[str], known: Iterable[str]) -> dict[str, str]:
    """Return the names that differ from a known one only in capitals, with that one."""
    first: dict[str, str] = {}
    for name in known:
        first.setdefault(name.casefold(), name)
    meant = {name: first.get(name.casefold(), name) for name in names}
    return {name: other for name, other in meant.items() if other != name}


def _respell(
    tables: dict[str, pd.DataFrame], table: str, column: str, meant: dict[str, str], found: Findings
) -> None:
    values = tables[table][column]
    if meant and len(rows := values[values.isin(list(meant))]):
        says = {name: f"is read as {own}: only the capitals differ" for name, own in meant.items()}
        fix = {name: f"write {own}, or leave it" for name, own in meant.items()}
        found.each(table, column, rows, "read_as", says, fix)
        read = values.map(lambda name: meant.get(name, name), na_action="ignore")
        tables[table] = tables[table].assign(**{column: read.astype(values.dtype)})


def check(tables: Mapping[str, pd.DataFrame], found: Findings) -> None:
    """Warn of each row whose name is nearly a more common one, over every table that has it."""
    for column, places, counts in _counted(tables):
        meant = likely_meant(counts.to_dict())
        rows = {name: "1 row" if n == 1 else f"{n} rows" for name, n in counts.items()}
        for table in places:
            values = tables[table][column]
            for row, value in values[values.isin(list(meant))].items():
                found.add(
                    table, int(str(row)), column, value, "warning",
                    f"is nearly {meant[value]}, which is in {rows[meant[value]]}",
                    f"write {meant[value]}{once_for_all(column, counts[value])}, or leave it if "
                    "both exist",
                )  # fmt: skip


def likely_meant(counts: Mapping[str, int]) -> dict[str, str]:
    """Return the names that are nearly a more common one, with that one.

    >>> likely_meant({"Ochre": 9, "Ocher": 1, "Umber": 4, "umber ": 1, "Slate": 2})
    {'Ocher': 'Ochre', 'umber ': 'Umber'}
    """
    if len(counts) > _MOST_NAMES:
        return {}
    common = sorted(counts, key=lambda name: (-counts[name], name))
    meant: dict[str, str] = {}
    for often, seldom in combinations(common, 2):
        if seldom not in meant and often not in meant and _nearly(often, seldom):
            meant[seldom] = often
    return meant


def once_for_all(column: str, rows: int) -> str:
    """Offer a line in the settings instead of a fix in many rows."""
    return f" (or say so once, under [words.{column}] in bench.toml)" if rows > _MANY_ROWS else ""


def respelled(labels: Iterable[str], known: Iterable[str]) -> dict[str, str]:
    """Return the labels that are nearly a known one, with that one.

    >>> respelled(["b 7", "B9", "Bule"], ["B-7", "B-8", "Blue"])
    {'b 7': 'B-7', 'Bule': 'Blue'}
    """
    labels = list(labels)
    if not labels:
        return {}
    known = list(known)
    by_bare = {_bare(label): label for label in reversed(known)}
    meant = {label: by_bare[_bare(label)] for label in labels if _bare(label) in by_bare}
    if len(known) <= _MOST_NAMES:
        for label in labels[:_MOST_NAMES]:
            near = next((other for other in known if _nearly(other, label)), None)
            if label not in meant and near:
                meant[label] = near
    return meant


def as_it_looks(label: str) -> str:
    """Return a label without case, blanks and points, and with digits for letters like them.

    >>> as_it_looks("L03-10") == as_it_looks("l03 1O")
    True
    """
    return _bare(label).translate(_LOOKS)


def _nearly(one: str, other: str) -> bool:
    """Say whether two names differ only in case, blanks and points, or in a letter or two."""
    if len(one) > 60 or len(other) > 60:
        return False
    a, b = _bare(one), _bare(other)
    if a == b:
        return True
    # Another number is another label, however near.
    if re.findall(r"\d+", a) != re.findall(r"\d+", b):
        return False
    allowed = 0 if min(len(a), len(b)) < 4 else 1 if max(len(a), len(b)) < 8 else 2
    # Optimal string alignment: letters added, dropped, changed or swapped with a neighbour.
    return OSA.distance(a, b) <= allowed


def _bare(name: str) -> str:
    return re.sub(r"[\W_]+", "", name.casefold())
