"""One row a reed: what it says of its piece and its lot becomes rows of pieces and of lots.

A piece is made from the row, a lot from the rows that share its label. Such a row of pieces or lots
has the number of its row in reeds, negative, so that findings can name that row.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

import pandas as pd

from reedlab.records.check.spelling import capitals, likely_meant
from reedlab.records.findings import Findings
from reedlab.records.settings import Settings
from reedlab.records.tables import (
    COUNTED,
    IN_REEDS,
    PENDING_COUNT,
    SHEETS,
    TABLES,
    TIED_COUNT,
    Table,
    name_in_reeds,
)
from reedlab.records.tidy.frames import lots_of, with_usual

Tables = dict[str, pd.DataFrame]


def split(tables: Tables, settings: Settings, found: Findings) -> None:
    """Move what reeds say of their pieces and lots to the tables of those.

    The table of reeds has its own columns afterwards. What is usual of a piece stands in the row of
    each reed that was tied since. `found` receives rows of one piece or lot that disagree.
    """
    reeds = _with_usual_pieces(tables["reeds"], tables["pieces"], settings)
    said = {
        table: reeds[[name for name in reeds if IN_REEDS.get(str(name), ("",))[0] == table]]
        for table in ("lots", "pieces")
    }
    if all(frame.empty for frame in said.values()):
        return
    tables["reeds"] = reeds[list(TABLES["reeds"].columns)]
    _make_lots(tables, _renamed(said["lots"]), found)
    _make_pieces(tables, _renamed(said["pieces"]), found)


def _with_usual_pieces(
    reeds: pd.DataFrame, pieces: pd.DataFrame, settings: Settings
) -> pd.DataFrame:
    """Fill in what is usual of a piece, in rows of one reed whose piece is not another's label."""
    usual = {name for one in settings.usual for name in one.values if name in IN_REEDS}
    if not usual:
        return reeds
    columns = SHEETS["reeds"].columns
    new = {name: columns[name].missing(len(reeds)) for name in usual if name not in reeds}
    reeds = reeds.assign(**new)
    apart = pieces["piece"].notna().any() & reeds["piece"].notna()
    apart &= ~reeds["piece"].isin(pieces["piece"].dropna())
    apart |= reeds[[TIED_COUNT, *COUNTED, PENDING_COUNT]].notna().any(axis=1)
    filled = with_usual(reeds[[*usual, "tied_on"]], settings)
    return reeds.assign(**{name: reeds[name].where(apart, filled[name]) for name in usual})


def _renamed(said: pd.DataFrame) -> pd.DataFrame:
    """Give the columns of reeds' rows the names of their own table, without rows that say none."""
    said = said.rename(columns={name: IN_REEDS[str(name)][1] for name in said})
    return said[said.notna().any(axis=1)]


def _make_lots(tables: Tables, said: pd.DataFrame, found: Findings) -> None:
    """Make a lot from the rows that share its label, and take out a row of another supplier."""
    reeds = tables["reeds"].copy(deep=False)
    labels = lots_of(reeds, tables["pieces"])
    _unify(reeds, labels, tables["lots"]["lot"], found)
    tables["reeds"] = reeds
    labels = lots_of(reeds, tables["pieces"])
    said = said.assign(lot=labels.reindex(said.index)).dropna(subset="lot")
    apart = _join(tables, TABLES["lots"], said, found)
    rows = apart.get("supplier", pd.Index([]))
    if len(rows):
        tables["reeds"] = reeds.copy()
        tables["reeds"].loc[rows, ["lot", "piece"]] = None


def _unify(reeds: pd.DataFrame, labels: pd.Series, known: pd.Series, found: Findings) -> None:
    """Read labels of lots that differ only in capitals as one."""
    common = labels.dropna().value_counts()
    names = sorted(common.index, key=lambda name: (-common[name], name))
    meant = capitals(names, [*known.dropna(), *names])
    rows = reeds["lot"][reeds["lot"].isin(list(meant))]
    if len(rows):
        _say_capitals("lot", rows, rows.map(meant), found)
        reeds["lot"] = reeds["lot"].where(~reeds["lot"].isin(list(meant)), reeds["lot"].map(meant))


def _make_pieces(tables: Tables, said: pd.DataFrame, found: Findings) -> None:
    """Make a piece from each row that says something of one; it has the reed's label or its own."""
    reeds = tables["reeds"].copy(deep=False)
    again = reeds["reed"].duplicated() & reeds["reed"].notna()  # such a row is not used
    said = said[~again.reindex(said.index)]
    if said.empty:
        return
    taken = {*tables["pieces"]["piece"].dropna(), *reeds["piece"].dropna()}
    own = reeds["reed"].reindex(said.index)
    own = own.where(~own.isin(list(taken)), own + " (reed)")
    own = own.fillna("row " + said.index.to_series().astype(str))
    labels = reeds["piece"].reindex(said.index).fillna(own)
    reeds["piece"] = reeds["piece"].fillna(labels.reindex(reeds.index))
    tables["reeds"] = reeds
    lots = reeds["lot"].reindex(said.index)
    _join(tables, TABLES["pieces"], said.assign(piece=labels, lot=lots), found)


def _join(tables: Tables, table: Table, said: pd.DataFrame, found: Findings) -> dict[str, pd.Index]:
    """Add to a table what rows of reeds say; return for each column the rows not used.

    A row of the table itself comes first; else what most rows of a label say, if they are more than
    half of them.
    """
    own = tables[table.name].copy(deep=False)
    key = table.key
    kept = own[~own[key].duplicated() & own[key].notna()]
    its_own = kept[key].astype(object)
    said = _distinct(said, key, its_own)
    labels = said[key].astype(object)
    made = said.loc[~labels.duplicated() & ~labels.isin(its_own)]
    alone = len(made) == len(said)
    fresh = pd.DataFrame({key: made[key]}, index=made.index)
    apart: dict[str, pd.Index] = {}
    for name, column in table.columns.items():
        if name == key:
            continue
        # Whether a piece is of its reed's lot is checked later.
        if name not in said or name == "lot" or alone:
            empty = pd.Series(column.missing(len(fresh)), index=fresh.index)
            fresh[name] = made.get(name, empty)
            continue
        stands = kept.set_index(its_own)[name].dropna().astype(object)
        values = said[name].astype(object)
        agreed = _agreed(labels, values, stands, column.kind == "name")
        _say_capitals(name_in_reeds(table.name, name), agreed.other_case, agreed.read, found)
        apart[name] = _say_apart(table, name, labels, values, agreed, found)
        taken = labels[~labels.duplicated()].map(agreed.value)
        fresh[name] = taken.reindex(fresh.index).astype(column.dtype)
        empty = own[name].isna() & own.index.isin(kept.index)
        # A finding names the first row that has the word, not the first of its label.
        having = labels[values.notna() & values.eq(labels.map(agreed.value))]
        first = having[~having.duplicated()]
        at = dict(zip(made[key], -made.index)) | dict(zip(own[key][empty], own.index[empty]))
        found.written |= {(table.name, at[label], name): row
                          for row, label in first.items() if label in at}  # fmt: skip
        filled = own[key].astype(object).map(agreed.value)
        own[name] = own[name].astype(object).where(~empty, filled).astype(column.dtype)
    fresh = fresh.set_axis(pd.Index(-fresh.index, name="row"))
    if own.empty:
        found.made.add(table.name)
        tables[table.name] = fresh[list(table.columns)]
    elif len(fresh):
        tables[table.name] = pd.concat([own, fresh[list(table.columns)]])
    else:
        tables[table.name] = own
    return apart


def _distinct(said: pd.DataFrame, key: str, its_own: pd.Series) -> pd.DataFrame:
    """Leave out rows that say what another says too, unless others of their label say another."""
    if said[key].is_unique:
        return said
    different = said.drop_duplicates()
    several = different[key][different[key].duplicated()]
    return said[said.index.isin(different.index) | said[key].isin([*several, *its_own])]


class _Agreed(NamedTuple):
    """What rows of one label say of one column."""

    value: dict[str, object]  # what is used for a label, where its rows agree or most of them do
    # for each label whose rows disagree, how many rows say what; None stands for its own table
    against: dict[str, Counter[object] | None]
    other_case: pd.Series  # cells that differ from what is used in their capitals alone
    read: pd.Series  # what those are read as


def _agreed(labels: pd.Series, values: pd.Series, stands: pd.Series, names: bool) -> _Agreed:
    """Find what each label's rows agree on; `stands` is what its own table says."""
    known = values.notna()
    labels, values = labels[known], values[known]
    alike = values.map({v: str(v).casefold() for v in values.unique()}) if names else values
    first = ~labels.duplicated()
    value: dict[str, object] = dict(zip(labels[first], values[first])) | stands.to_dict()
    same = labels.map({k: str(v).casefold() if names else v for k, v in value.items()}).eq(alike)
    against: dict[str, Counter[object] | None] = {}
    for label in labels[~same].unique():
        if label in stands.index:
            against[label] = None
            continue
        counts = Counter(alike[labels == label])
        (most, often), *_ = counts.most_common()
        spelled = values[(labels == label) & alike.eq(most)]
        value[label] = spelled.value_counts().index[0] if 2 * often > counts.total() else None
        against[label] = counts
    used = labels.map(value)
    if not names:
        return _Agreed(value, against, values[:0], values[:0])
    other = used.notna() & used.ne(values) & used.astype(str).str.casefold().eq(alike)
    return _Agreed(value, against, values[other], used[other])


def _say_capitals(column: str, cells: pd.Series, read: pd.Series, found: Findings) -> None:
    for row, value in cells.items():
        found.add("reeds", int(str(row)), column, value, "read_as",
                  f"is read as {read[row]}: only the capitals differ",
                  f"write {read[row]}, or leave it")  # fmt: skip


def _say_apart(
    table: Table, name: str, labels: pd.Series, values: pd.Series, agreed: _Agreed, found: Findings
) -> pd.Index:
    """Name the rows that disagree with the others of their label; return those of another thing."""
    column, its = name_in_reeds(table.name, name), TABLES[table.name].key
    names = table.columns[name].kind == "name"
    apart: list[int] = []
    for label, counts in agreed.against.items():
        used = agreed.value[label]
        mine = values[(labels == label) & values.notna()]
        if used is None:
            said = ", ".join(f"{_shown(value)} ({n})" for value, n in Counter(mine).most_common(5))
            for row, value in mine.items():
                found.add("reeds", int(str(row)), column, _shown(value), "error",
                          f"differs between rows of {its} {label}: {said}; none of them is used",
                          f"fix it, or give each {its} a label of its own")  # fmt: skip
            continue
        same = mine.map(str).str.casefold().eq(str(used).casefold()) if names else mine.eq(used)
        near = likely_meant({str(used): len(mine), **dict.fromkeys(map(str, mine[~same]), 1)})
        who = f"the table {table.name} says" if counts is None else "most rows of it say"
        for row, value in mine[~same].items():
            typo = names and str(value) in near
            apart += [] if typo else [int(str(row))]
            found.add(
                "reeds", int(str(row)), column, _shown(value), "warning" if typo else "error",
                f"is not what {who} of {its} {label}: {_shown(used)}"
                + (", which is used" if typo or name != "supplier" else ""),
                f"write {_shown(used)}, or give this {its} a label of its own",
            )  # fmt: skip
    return pd.Index(apart)


def _shown(value: object) -> str:
    """Write a value as a person does."""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
