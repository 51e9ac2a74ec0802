"""A bench: a maker's records, read, checked, and tidied into frames when asked for."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError, SettingsError
from reedlab.records import flow
from reedlab.records.check import one_row
from reedlab.records.check.checking import check_tables
from reedlab.records.check.kept_out import gravest_first
from reedlab.records.entries import join_entries
from reedlab.records.findings import Findings
from reedlab.records.read.amounts import in_grams
from reedlab.records.read.batch_rows import one_row_a_reed
from reedlab.records.read.folder import read_sheets
from reedlab.records.read.outcome_rules import old_and_empty
from reedlab.records.read.parsing import parse_table
from reedlab.records.read.sheets_as_text import Origin, as_table
from reedlab.records.settings import Settings, read_settings
from reedlab.records.tables import SHEETS, TABLES, Table
from reedlab.records.tidy import frames
from reedlab.records.tidy import losses_before_tying as losses
from reedlab.records.tidy.pending_cutoff import cutoff
from reedlab.records.tidy.unnamed_makers import name_makers

ONCE = "REEDLAB_OPEN_ONCE"
"""The environment variable that has a process read the same records once for all who open them."""
TODAY = "REEDLAB_TODAY"
"""The environment variable that replaces the clock, so that a check can be repeated."""


def as_today(given: dt.date | str | None = None) -> dt.date:
    """Return the day given, else that of the environment, else the clock's."""
    name, day = ("today", given) if given is not None else (TODAY, os.environ.get(TODAY))
    if not day:
        return dt.date.today()
    try:
        return dt.date.fromisoformat(str(day)[:10])
    except ValueError as error:
        raise SettingsError(name, f"is {str(day)!r}", "write a day such as 2026-03-05") from error


@dataclass(frozen=True, repr=False)
class Bench:
    """A maker's records.

    Attributes
    ----------
    path : pathlib.Path or None
        The folder or workbook; None for a bench made of frames.
    settings : Settings
        The settings of ``bench.toml``, or the defaults.
    tables : mapping of str to pandas.DataFrame
        Every table of `TABLES`, typed, indexed by ``row`` as the spreadsheet numbers it; the reeds
        of a batch in one row share its number. A table without a file is empty. A piece or lot that
        a row of reeds describes has that row's number, negative. A cell with an error is empty
        here; its text is in `findings`.
    findings : pandas.DataFrame
        What is wrong: table, row, column, value, severity (error, warning or read_as), problem,
        fix.
    today : datetime.date
        The day that counts as today: a later day in the records is an error.
    skipped : pandas.DataFrame
        The rows of the sheets that are no rows of a table: table, row and `findings.Reason`.

    Examples
    --------
    >>> lots = pd.DataFrame({"lot": ["L1"], "supplier": ["Blue"]})
    >>> reeds = pd.DataFrame({"reed": ["1", "2"], "lot": "L1", "maker": "A",
    ...                       "tied_on": ["2025-01-07", "2025-01-08"], "outcome": ["good", None]})
    >>> bench = Bench.from_tables({"lots": lots, "reeds": reeds})
    >>> bench.reeds[["supplier", "status", "season"]].astype(str).values.tolist()
    [['Blue', 'success', 'winter'], ['Blue', 'pending', 'winter']]
    """

    path: Path | None
    settings: Settings
    tables: Mapping[str, pd.DataFrame]
    findings: pd.DataFrame
    today: dt.date = field(default_factory=as_today)
    skipped: pd.DataFrame = field(default_factory=Findings().skipped)

    def __repr__(self) -> str:
        """Name the folder and count; no row is shown, for rows hold names of customers."""
        name = "of frames" if self.path is None else self.path.resolve().name
        counts = ", ".join(f"{t} {len(self.tables[t])}" for t in ("lots", "pieces", "reeds"))
        return f"Bench {name}: {counts}; today is {self.today}"

    @classmethod
    def from_tables(
        cls,
        tables: Mapping[str, pd.DataFrame],
        settings: Settings | None = None,
        *,
        check: bool = True,
        today: dt.date | str | None = None,
    ) -> Bench:
        """Make a bench of frames, read and checked as files are.

        Parameters
        ----------
        tables : mapping of str to pandas.DataFrame
            Text, or values typed already. Tables and columns may be missing.
        settings : Settings, optional
            The defaults when not given.
        check : bool, default True
            Whether to check the tables; False saves time where thousands are simulated.
        today : datetime.date or str, optional
            As in `open_bench`.

        Returns
        -------
        Bench
            Its path is None.

        Raises
        ------
        KeyError
            For a table that is not in `TABLES`.
        """
        if unknown := set(tables) - set(TABLES):
            raise KeyError(f"a bench has no table {', '.join(sorted(unknown))}")
        given = {name: (frame, Origin()) for name, frame in tables.items()}
        return _bench(None, given, settings or Settings(), Findings(), as_today(today), check)

    @cached_property
    def reeds(self) -> pd.DataFrame:
        """One row a reed, with its piece, lot, supplier and air."""
        return frames.reeds(
            self.tables, self.cane, self.settings, self.cutoff, self.unread_outcomes
        )

    @cached_property
    def cane(self) -> pd.DataFrame:
        """One row a measured piece: measured and derived columns, lot and supplier."""
        return frames.cane(self.tables)

    @cached_property
    def losses(self) -> pd.DataFrame:
        """One row a lot: what was bought, what was lost before tying, minutes and cost."""
        return losses.losses(self.tables)

    @cached_property
    def cutoff(self) -> pd.Timestamp:
        """The last day of tying on which reeds count as settled."""
        return cutoff(self.tables["reeds"]).day

    def flow(self, *needed: str, settled: bool = True) -> pd.DataFrame:
        """Follow the rows of the sheets to the reeds that an answer uses; see `flow.flow`.

        Parameters
        ----------
        *needed : str
            Columns of `reeds` that the answer needs beyond outcome, lot, supplier and day of tying,
            such as ``"form"``.
        settled : bool, default True
            Whether the answer leaves out reeds tied after `cutoff`.

        Returns
        -------
        pandas.DataFrame
            step, reeds (of the first step: rows) and reason, from the rows in the sheets to the
            reeds used.
        """
        return flow.flow(self, *needed, settled=settled)

    @property
    def unread_outcomes(self) -> frozenset[int]:
        """The rows of ``reeds`` whose outcome could not be read: neither known nor pending."""
        bad = self.findings.query(
            "table == 'reeds' and column == 'outcome' and severity == 'error'"
        )
        return frozenset(bad["row"].dropna().astype(int))


def open_bench(path: Path | str, today: dt.date | str | None = None) -> Bench:
    """Read a maker's records and check them; no file is ever changed.

    Parameters
    ----------
    path : path
        A folder with CSV files, a workbook ``records.xlsx``, or both, and optionally a
        ``bench.toml``; or the workbook itself.
    today : datetime.date or str, optional
        The day that counts as today, such as ``"2026-03-05"``; when not given, the environment
        variable ``REEDLAB_TODAY``, else the clock's day. The same day gives the same findings.

    Returns
    -------
    Bench
        Look at its ``findings`` first.

    Raises
    ------
    RecordError
        Only when nothing can be read. Everything else that is wrong becomes a finding.
    SettingsError
        When `today` is not a valid date.
    """
    day = as_today(today)
    path = Path(path)
    if not os.environ.get(ONCE):
        return _read(path, day)
    opened = (path.resolve(), day)
    if opened not in _OPENED:
        _OPENED[opened] = _read(path, day)
    return _OPENED[opened]


_OPENED: dict[tuple[Path, dt.date], Bench] = {}


def _read(path: Path, day: dt.date) -> Bench:
    """Read and check the records at a path, as on a day."""
    if not path.exists():
        raise RecordError(f"{path} does not exist: give the folder that holds your records.")
    settings, found = read_settings(path if path.is_dir() else path.parent)
    sheets = read_sheets(path, settings, found)
    given = {}
    for name in list(sheets):  # a large file's cells are not kept beside its table
        given[name] = as_table(sheets.pop(name), SHEETS[name], settings, found)
    return _bench(path, given, settings, found, day, check=True)


def _typed(
    table: Table,
    given: dict[str, tuple[pd.DataFrame, Origin]],
    settings: Settings,
    found: Findings,
) -> pd.DataFrame:
    """Type a table's rows, which are taken out of `given`."""
    if table.name not in given:
        return table.empty()
    frame, origin = given.pop(table.name)
    more = {name: c for name, c in SHEETS[table.name].columns.items() if name in frame}
    return parse_table(
        replace(table, columns={**table.columns, **more}), frame, settings, found, origin
    )


def _bench(
    path: Path | None,
    given: dict[str, tuple[pd.DataFrame, Origin]],
    settings: Settings,
    found: Findings,
    today: dt.date,
    check: bool,
) -> Bench:
    """Type, check and hold the tables."""
    tables = {name: _typed(table, given, settings, found) for name, table in TABLES.items()}
    folder = path if path is None or path.is_dir() else path.parent
    noted = join_entries(folder, tables, settings, found) if folder is not None else {}
    tables["reeds"] = old_and_empty(tables["reeds"], settings, found, today)
    one_row.split(tables, settings, found)
    tables["lots"] = in_grams(tables["lots"], found)
    name_makers(tables, settings, found)
    if check:
        check_tables(tables, settings, found, today)
    found.elsewhere(noted)
    tables["reeds"] = one_row_a_reed(tables["reeds"])
    findings = gravest_first(found.frame(), tables)
    return Bench(path, settings, tables, findings, today, found.skipped())
