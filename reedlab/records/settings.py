"""What a maker sets in ``bench.toml``: costs, seasons, ranges, the usual set-up, her own words."""

from __future__ import annotations

import contextlib
import datetime as dt
import difflib
import math
import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from reedlab.errors import SettingsError
from reedlab.records.findings import Findings
from reedlab.records.tables import OUTCOMES, TABLES, Likely

FILE = "bench.toml"
_MOST_MONEY = 1e9
_HEADER = re.compile(r"\s*\[+([^\]]+)\]")
_ENTRY = re.compile(r"\s*([\w.\-\"' ]+?)\s*=")
_DAY = re.compile(r"(\d{4}-)?(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


@dataclass(frozen=True)
class Usual:
    """The usual set-up from a day on, so that rows record only exceptions.

    Attributes
    ----------
    since : datetime.date
        The first day; it applies until the next set-up that names the same column.
    values : mapping of str to object
        Values for columns of ``reeds``, such as ``{"staple_mm": 47}``.
    """

    since: dt.date
    values: Mapping[str, Any]


STEPS = ("rough", "finish", "play")
"""What is done to a blank after it is tied, in order."""

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True)
class Week:
    """When the maker works, so that orders can be planned by the day.

    Attributes
    ----------
    hours : float
        Hours a week for reeds.
    days_off : tuple of str
        Days of the week without work, such as ``("sunday",)``.
    blanks_a_sitting : int
        How many blanks are tied at one sitting.
    post_days : int
        Days that the post takes.

    Raises
    ------
    SettingsError
        When a value makes no sense.
    """

    hours: float
    days_off: tuple[str, ...] = ()
    blanks_a_sitting: int = 10
    post_days: int = 2

    def __post_init__(self) -> None:
        object.__setattr__(self, "days_off", tuple(self.days_off))
        _number("week.hours", self.hours, 0.5, 100)
        _one_of("week.days_off", self.days_off, WEEKDAYS)
        if set(self.days_off) == set(WEEKDAYS):
            raise SettingsError("week.days_off", "names every day", "leave a day for work")
        _number("week.blanks_a_sitting", self.blanks_a_sitting, 1, 200)
        _number("week.post_days", self.post_days, 0, 60)


@dataclass(frozen=True)
class Settings:
    """A bench's settings; every one has a default.

    Attributes
    ----------
    success : frozenset of str
        The outcomes that count as success.
    currency : str
        The currency of every price below.
    wage_per_hour : float
        What an hour at the bench costs.
    staple_price, thread_price : float
        What a staple, and the thread for one reed, cost.
    staple_recovered : float
        Share of failures whose staple is used again, 0 to 1.
    hemisphere : str
        ``"north"`` or ``"south"``, for the seasons.
    heated : tuple of (str, str or None)
        First and last day of each spell in which the workshop is heated, both included:
        ``2024-10-15`` in one year, ``10-15`` in every year; None for a spell that has not ended.
    date_order : str or None
        ``"day-month"`` or ``"month-day"`` for dates such as 03/04/2025; with None they are not
        read.
    usual : tuple of Usual
        Usual set-ups, by their days.
    columns : mapping
        For each table, the maker's own headings and the columns they mean, or "" for a column
        that reedlab leaves alone.
    words : mapping
        For each column, the maker's own words and the words of the vocabulary that they mean; for
        a column of names, spellings and the name that they mean.
    tables : mapping of str to str
        The maker's own names of files or sheets, and the tables they hold, or "" for none.
    steps : mapping of str to float
        Days of rest before each step of `STEPS`: common practice, no source, unless set.
    week : Week or None
        When the maker works; without it orders are planned in hours, not days.
    ranges : mapping
        ``"reeds.tied_mm"`` and so on, to the limits outside which a value gets a warning.

    Raises
    ------
    SettingsError
        When a value makes no sense.

    Examples
    --------
    >>> sorted(Settings(success={"good", "playable"}).success)
    ['good', 'playable']
    """

    success: frozenset[str] = frozenset({"good"})
    currency: str = "EUR"
    wage_per_hour: float = 20.0
    staple_price: float = 3.0
    staple_recovered: float = 0.8
    thread_price: float = 0.1
    hemisphere: str = "north"
    heated: tuple[tuple[str, str | None], ...] = ()
    date_order: str | None = None
    usual: tuple[Usual, ...] = ()
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    steps: Mapping[str, float] = field(default_factory=lambda: {"rough": 1, "finish": 1, "play": 0})
    week: Week | None = None
    ranges: Mapping[str, Likely] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "success", frozenset(self.success))
        if not self.success:
            raise SettingsError("success", "is empty", 'name an outcome, such as ["good"]')
        _one_of("success", self.success, OUTCOMES)
        _one_of("hemisphere", [self.hemisphere], ("north", "south"))
        if self.date_order is not None:
            _one_of("date_order", [self.date_order], ("day-month", "month-day"))
        for name in ("wage_per_hour", "staple_price", "staple_recovered", "thread_price"):
            value = getattr(self, name)
            top = 1 if name == "staple_recovered" else _MOST_MONEY
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                raise SettingsError(name, f"is {value!r}", "write a number without quotation marks")
            if not 0 <= value <= top:
                limits = "a share from 0 to 1" if top == 1 else f"0 to {top:,.0f}"
                raise SettingsError(name, f"is {value}", f"write {limits}")
        if not isinstance(self.currency, str):
            raise SettingsError("currency", f"is {self.currency!r}", 'write a word such as "EUR"')
        _one_of("steps", self.steps, STEPS)
        for step, days in self.steps.items():
            _number(f"steps.{step}", days, 0, 365)
        _one_of("tables", self.tables.values(), [*TABLES, ""])
        _one_of("columns", self.columns, TABLES)
        for table, headings in self.columns.items():
            _one_of(f"columns.{table}", headings.values(), [*TABLES[table].columns, ""])
        words = vocabularies()
        named = {c.name for t in TABLES.values() for c in t.columns.values() if c.kind == "name"}
        _one_of("words", self.words, [*words, *named])
        for column, mapped in self.words.items():
            if column in words:
                _one_of(f"words.{column}", mapped.values(), words[column])
        measured = [f"{t.name}.{c.name}" for t in TABLES.values() for c in t.columns.values()]
        for place, likely in self.ranges.items():
            _one_of("ranges", [place], measured)
            for pair in likely.values() if isinstance(likely, Mapping) else [likely]:
                _check_limits(f"ranges.{place}", pair)

    def likely(self, table: str, column: str) -> Likely | None:
        """Return the usual limits of a column: the maker's own, else those of `TABLES`."""
        return self.ranges.get(f"{table}.{column}", TABLES[table].columns[column].likely)


def vocabularies() -> dict[str, tuple[str, ...]]:
    """Return the vocabulary of each column that has one, over all tables."""
    words: dict[str, tuple[str, ...]] = {}
    for table in TABLES.values():
        for c in table.columns.values():
            own = ("yes", "no") if c.kind == "yesno" else c.words
            if own:
                words[c.name] = tuple(dict.fromkeys((*words.get(c.name, ()), *own)))
    return words


def read_settings(folder: Path) -> tuple[Settings, Findings]:
    """Read a folder's ``bench.toml``; a setting that makes no sense becomes a finding.

    Parameters
    ----------
    folder : pathlib.Path
        The bench. Without a ``bench.toml`` every setting has its default.

    Returns
    -------
    settings : Settings
        The settings that could be read; the others have their defaults.
    findings : Findings
        An error for each of the others.
    """
    found = Findings()
    path = folder / FILE
    _name_others(folder, found)
    if not os.path.lexists(path):
        return Settings(), found
    try:
        if not path.is_file():
            raise ValueError("it is a broken link" if path.is_symlink() else "it is not a file")
        if path.stat().st_size > 1_000_000:
            raise ValueError("it is larger than a megabyte")
        text = path.read_bytes().decode("utf-8-sig")
        given = tomllib.loads(text)
    except (OSError, ValueError, RecursionError) as error:
        found.add(
            FILE, None, "", "", "error",
            f"cannot be read ({error}), so every setting has its default",
            "fix that line, or start again from the file that `reedlab new` writes",
        )  # fmt: skip
        return Settings(), found
    settings = Settings()
    for name, value in _flattened(given):
        try:
            settings = _with(settings, name, value)
        except SettingsError as error:
            line = _line_of(error, text)
            found.add(FILE, line, error.key, value, "error", error.problem, error.fix)
    return settings, found


def _name_others(folder: Path, found: Findings) -> None:
    """Name files that are nearly called ``bench.toml``, such as the bench.toml.txt of an editor."""
    with contextlib.suppress(OSError):
        for name in sorted(path.name for path in folder.iterdir()):
            bare = name.casefold().removesuffix(".txt").removesuffix(".toml")
            if name != FILE and bare == "bench":
                found.add(
                    name, None, "", name, "warning", f"{name} is not read",
                    f"rename it {FILE}, if it holds the settings of this bench",
                )  # fmt: skip


def _line_of(error: SettingsError, text: str) -> int | None:
    """Return the line of the setting that an error is about, since tomllib keeps none."""
    section, lines = "", []
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            section = header[1].replace('"', "").replace(" ", "")
            lines.append((section, number, line))
        elif entry := _ENTRY.match(line):
            path = f"{section}.{entry[1]}".replace('"', "").replace("'", "").replace(" ", "")
            lines.append((path.strip(".").removeprefix("costs."), number, line))
    inside = [(n, line) for path, n, line in lines if f"{path}.".startswith(f"{error.key}.")]
    # Of several lines, the one whose value the problem quotes.
    quoted = [number for number, line in inside if _quoted(line, error.problem)]
    around = [number for path, number, _ in lines if error.key.startswith(f"{path}.")]
    return next(iter([*quoted, *(number for number, _ in inside), *around]), None)


def _quoted(line: str, problem: str) -> bool:
    """Say whether a problem quotes the value, or the name, of a line ``name = value``."""
    try:
        ((name, value),) = tomllib.loads(line).items()
    except ValueError:
        return False
    quotes = "|".join(re.escape(repr(word)) for word in (name, value))
    return re.search(rf"(?<!\S)({quotes})(?![\w.])", problem) is not None


def _flattened(given: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """Return the settings by name, those of the section ``costs`` among them."""
    costs = given.get("costs", {})
    lifted = list(costs.items()) if isinstance(costs, dict) else [("costs", costs)]
    return [(k, v) for k, v in given.items() if k != "costs"] + lifted


def _with(settings: Settings, name: str, value: Any) -> Settings:
    """Return the settings with one of them changed."""
    if name == "format":
        if value != 1:
            raise SettingsError("format", f"is {value!r}", "write 1, the format of this reedlab")
        return settings
    if name not in (known := [f.name for f in fields(Settings)]):
        raise SettingsError(name, "is not a setting", _instead(name, known))
    try:
        if name == "heated":
            value = tuple(_spell(v) for v in value)
        elif name == "usual":
            value = tuple(sorted((_usual(v) for v in value), key=lambda u: u.since))
        elif name == "success":
            value = frozenset([value] if isinstance(value, str) else value)
        elif name == "ranges":
            value = _ranges(value)
        elif name in ("columns", "words"):
            value = {k: {str(a): b for a, b in v.items()} for k, v in value.items()}
        elif name == "steps":
            value = dict(settings.steps) | dict(value)
        elif name == "week":
            _one_of("week", value, (known_week := [f.name for f in fields(Week)]))
            if "hours" not in value:
                raise SettingsError("week", "has no hours", "add a line such as hours = 20")
            value = Week(**{k: value[k] for k in known_week if k in value})
        elif name == "tables":
            value = {str(k).casefold(): v for k, v in value.items()}
        return replace(settings, **{name: value})
    except (TypeError, AttributeError, KeyError) as error:
        raise SettingsError(
            name,
            "has an unexpected form",
            "compare it with the bench.toml that `reedlab new` writes",
        ) from error


def _spell(given: Mapping[str, Any]) -> tuple[str, str | None]:
    start, end = str(given["from"]), str(given["to"]) if "to" in given else None
    days = [start] if end is None else [start, end]
    if not all(_DAY.fullmatch(day) for day in days) or len({len(day) for day in days}) > 1:
        fix = 'write days such as 2024-10-15, or both as "10-15" for every year'
        raise SettingsError("heated", f"holds {', '.join(days)}", fix)
    return start, end


def _usual(given: Mapping[str, Any]) -> Usual:
    values = dict(given)
    since = values.pop("from")
    since = since.date() if isinstance(since, dt.datetime) else since
    if not isinstance(since, dt.date):
        raise SettingsError("usual.from", f"is {since!r}", "write a day such as 2024-09-01")
    known = {n: c for n, c in TABLES["reeds"].columns.items() if c.kind not in ("date", "text")}
    _one_of("usual", values, known)
    for name, value in values.items():
        if known[name].words:
            _one_of(f"usual.{name}", [value], known[name].words)
        elif (known[name].kind == "name") is not isinstance(value, str) or isinstance(value, bool):
            form = "a text in quotation marks" if known[name].kind == "name" else "a number"
            raise SettingsError(f"usual.{name}", f"is {value!r}", f"write {form}")
        low, high = known[name].possible or (-math.inf, math.inf)
        if not isinstance(value, str) and not low <= value <= high:
            unit = f" {known[name].unit}" if known[name].unit else ""
            raise SettingsError(
                f"usual.{name}", f"is {value!r}", f"write {low:g} to {high:.10g}{unit}"
            )
    return Usual(since, values)


def _ranges(given: Mapping[str, Any]) -> dict[str, Likely]:
    """Read ranges written ``"reeds.tied_mm" = [70, 75]`` or ``reeds.tied_mm = [70, 75]``."""
    flat: dict[str, Any] = {}
    for name, value in given.items():
        if name in TABLES and isinstance(value, dict):
            flat |= {f"{name}.{column}": limits for column, limits in value.items()}
        else:
            flat[name] = value
    return {
        name: {k: tuple(v) for k, v in limits.items()}
        if isinstance(limits, dict)
        else tuple(limits)
        for name, limits in flat.items()
    }


def _check_limits(name: str, limits: object) -> None:
    match limits:
        case (int() | float() as low, int() | float() as high) if low <= high:
            return
    raise SettingsError(name, f"is {limits!r}", "write two numbers, the lower first")


def _number(key: str, value: object, low: float, high: float) -> None:
    """Refuse what is not a number from `low` to `high`."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SettingsError(key, f"is {value!r}", "write a number without quotation marks")
    if not low <= value <= high:
        raise SettingsError(key, f"is {value}", f"write {low:g} to {high:g}")


def _one_of(key: str, given: Iterable[Any], known: Iterable[str]) -> None:
    """Refuse a word that is not known."""
    known = list(known)
    for word in given:
        if word not in known:
            raise SettingsError(key, f"holds {word!r}, which is not known", _instead(word, known))


def _instead(word: object, known: list[str]) -> str:
    """Offer the nearest known word, or the first dozen."""
    near = difflib.get_close_matches(str(word), known, 1)
    return f"write {near[0]}, if you mean that" if near else f"use one of {', '.join(known[:12])}"
