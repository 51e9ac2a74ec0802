"""What a maker sets in ``bench.toml``: costs, seasons, ranges, the usual set-up, her own words."""

from __future__ import annotations

import contextlib
import datetime as dt
import difflib
import math
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from reedlab.errors import SettingsError
from reedlab.records.findings import Findings
from reedlab.records.tables import FAULTS, IN_REEDS, OUTCOMES, SHEETS, TABLES, Likely

FILE = "bench.toml"
OPEN = "?"
"""What stands in a line of ``bench.toml`` that is not decided: such a line counts as absent."""

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
        Values for columns of ``reeds``, or of its pieces, such as ``{"staple_mm": 47}``.
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
class OutcomeRules:
    """What says a reed's outcome in a sheet that has no word for it.

    Attributes
    ----------
    filled : mapping of str to str
        The maker's own headings under which any entry (a name, a day, a price, a tick) means an
        outcome, where the outcome itself is empty.
    a_price : str
        What a price means that stands where the outcome should be; empty for nothing.
    a_name : str
        What a name means there, such as a customer's: a word that is not known and has a capital
        letter; empty for nothing.
    when_old_and_empty : str
        What it means that a blank has no outcome after `old_days`; empty for nothing.
    old_days : float
        Days from tying.
    """

    filled: Mapping[str, str] = field(default_factory=dict)
    a_price: str = ""
    a_name: str = ""
    when_old_and_empty: str = ""
    old_days: float = 30

    def __post_init__(self) -> None:
        for name in ("a_price", "a_name", "when_old_and_empty"):
            _one_of(f"outcome.{name}", [getattr(self, name)], [*OUTCOMES, ""])
        _one_of("outcome.filled", self.filled.values(), OUTCOMES)
        days = self.old_days
        if isinstance(days, bool) or not isinstance(days, (int, float)) or not 1 <= days <= 3660:
            raise SettingsError("outcome.old_days", f"is {days!r}", "write days, such as 30")


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
    other_per_reed, selling_min : float
        What selling a reed takes besides: money (post, a case, tools) and minutes.
    fee_pct, vat_pct, unsold_pct : float
        Percent of the price that a shop or platform keeps, of tax in the price, and of good reeds
        that are never sold.
    playable_price : float or None
        What a playable reed brings; None counts it as nothing.
    return_days : float
        Days after the sale within which a reed that comes back counts as a failure.
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
    maker : str
        Who made what names no maker.
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
    files : mapping
        Files elsewhere, named from the bench's folder, and the table that each holds, or "" for
        none; for a workbook a mapping of its sheets.
    outcome : OutcomeRules
        What says a reed's outcome where no word of the vocabulary does.
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
    other_per_reed: float = 0.0
    selling_min: float = 0.0
    fee_pct: float = 0.0
    vat_pct: float = 0.0
    unsold_pct: float = 0.0
    playable_price: float | None = None
    return_days: float = 45.0
    hemisphere: str = "north"
    heated: tuple[tuple[str, str | None], ...] = ()
    date_order: str | None = None
    maker: str = ""
    usual: tuple[Usual, ...] = ()
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str | Mapping[str, str]] = field(default_factory=dict)
    outcome: OutcomeRules = field(default_factory=OutcomeRules)
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
        for name, such in (("currency", "EUR"), ("maker", "KL")):
            if not isinstance(value := getattr(self, name), str):
                raise SettingsError(name, f"is {value!r}", f'write a word such as "{such}"')
        for name, top in (
            ("other_per_reed", _MOST_MONEY), ("selling_min", 600), ("fee_pct", 90),
            ("vat_pct", 90), ("unsold_pct", 95), ("return_days", 3660),
        ):  # fmt: skip
            _number(name, getattr(self, name), 1 if name == "return_days" else 0, top)
        if self.playable_price is not None:
            _number("playable_price", self.playable_price, 0, _MOST_MONEY)
        if 1 / (1 + self.vat_pct / 100) <= self.fee_pct / 100:
            raise SettingsError("fee_pct", f"is {self.fee_pct}", "leave something of the price")
        _one_of("steps", self.steps, STEPS)
        for step, days in self.steps.items():
            _number(f"steps.{step}", days, 0, 365)
        _one_of("tables", self.tables.values(), [*TABLES, ""])
        for name, holds in self.files.items():
            held = holds.values() if isinstance(holds, Mapping) else [holds]
            _one_of(f"files.{name}", held, [*TABLES, ""])
        _one_of("columns", self.columns, TABLES)
        for table, headings in self.columns.items():
            _one_of(f"columns.{table}", headings.values(), [*SHEETS[table].columns, ""])
        words = vocabularies()
        named = {c.name for t in SHEETS.values() for c in t.columns.values() if c.kind == "name"}
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
    for table in SHEETS.values():
        for c in table.columns.values():
            own = ("yes", "no") if c.kind == "yesno" else c.words
            if own:
                words[c.name] = tuple(dict.fromkeys((*words.get(c.name, ()), *own)))
    return words | {"fault": FAULTS}  # free words, which may have a meaning of hers


def read_settings(folder: Path) -> tuple[Settings, Findings]:
    """Read a folder's ``bench.toml``; a setting that makes no sense becomes a finding.

    Such a setting has its default, as all have without the file.
    """
    found = Findings()
    path = folder / FILE
    _name_others(folder, found)
    if not os.path.lexists(path):
        return Settings(), found
    try:
        if not path.is_file():
            raise ValueError("it is a broken link" if path.is_symlink() else "it is not a file")
        if not path.resolve().is_relative_to(folder.resolve()):
            raise ValueError("it is a link to a file elsewhere")
        if path.stat().st_size > 1_000_000:
            raise ValueError("it is larger than a megabyte")
        text = path.read_bytes().decode("utf-8-sig")
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as broken:
        at = re.search(r"at line (\d+)", str(broken))
        line = int(at[1]) if at else text.count("\n") + 1
        found.add(
            FILE, line, "", "", "error",
            f"is not valid TOML ({broken}), so every setting has its default",
            'write each line as name = value, text in quotation marks: currency = "EUR"',
        )  # fmt: skip
        return Settings(), found
    except (OSError, ValueError, RecursionError) as error:
        found.add(
            FILE, None, "", "", "error",
            f"cannot be read ({error}), so every setting has its default",
            "replace it with the file that `reedlab new` writes, or remove it",
        )  # fmt: skip
        return Settings(), found
    settings = Settings()
    for name, value in _flattened(given):
        settings, refused = _line_by_line(settings, name, value)
        for nth, (wrong, says) in enumerate(refused):
            alike = sum(str(other) == str(wrong) for other, _ in refused[:nth])
            row = _line_of(wrong, text, alike)
            found.add(FILE, row, wrong.key, says, "error", wrong.problem, wrong.fix)
    _say_open(given, found)
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


_Path = tuple[str | int, ...]


def _line_by_line(
    settings: Settings, name: str, value: Any
) -> tuple[Settings, list[tuple[SettingsError, Any]]]:
    """Return the settings with one of them changed, and what is refused: no more than its lines."""
    try:
        return _with(settings, name, value), []
    except SettingsError as error:
        entries = list(_entries(value))
        if not isinstance(value, dict | list) or not any(path for path, _ in entries):
            return settings, [(error, value)]
    kept: list[tuple[_Path, Any]] = []
    refused: list[tuple[SettingsError, Any]] = []

    def keep(more: list[tuple[_Path, Any]]) -> None:
        """Take entries that can be taken: all of them, or what each half has of them."""
        nonlocal settings
        broken = {path[0] for path, _ in more if path[0] in without}
        more = [(path, says) for path, says in more if path[0] not in broken]
        if not more:
            return
        try:
            settings = _with(settings, name, _built([*kept, *more]))
            kept.extend(more)
        except SettingsError as error:
            if len(more) == 1:
                ((path, says),) = more
                refused.append((error, says))
                if path[1:] == ("from",):  # the rest of its block has no day to begin
                    without.add(path[0])
            else:
                keep(more[: len(more) // 2])
                keep(more[len(more) // 2 :])

    without: set[str | int] = set()
    keep(sorted(entries, key=lambda entry: entry[0][1:] != ("from",)))
    return settings, refused


def _entries(value: Any, path: _Path = ()) -> Iterator[tuple[_Path, Any]]:
    """Yield the lines of a section, each by its path."""
    if isinstance(value, dict) and value:
        for name, inside in value.items():
            yield from _entries(inside, (*path, name))
    elif isinstance(value, list) and any(isinstance(block, dict) for block in value):
        for at, block in enumerate(value):
            yield from _entries(block, (*path, at))
    else:
        yield path, value


def _built(entries: list[tuple[_Path, Any]]) -> Any:
    """Return a section of some of its lines."""
    if len(entries) == 1 and not entries[0][0]:
        return entries[0][1]
    by_name: dict[str | int, list[tuple[_Path, Any]]] = {}
    for path, says in entries:
        by_name.setdefault(path[0], []).append((path[1:], says))
    section = {name: _built(inside) for name, inside in by_name.items()}
    return [*section.values()] if all(isinstance(name, int) for name in section) else section


def _line_of(error: SettingsError, text: str, alike: int = 0) -> int | None:
    """Return the line of the setting that an error is about, since tomllib keeps none.

    Of several errors in the same words, `alike` counts those before.
    """
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
    lines_of = quoted or [number for number, _ in inside] or around
    return lines_of[min(alike, len(lines_of) - 1)] if lines_of else None


def _quoted(line: str, problem: str) -> bool:
    """Say whether a problem quotes the value, or the name, of a line ``name = value``."""
    try:
        ((name, value),) = tomllib.loads(line).items()
    except ValueError:
        return False
    said = [name, value]
    while isinstance(value, dict) and len(value) == 1:  # [columns.reeds]
        ((name, value),) = value.items()
        said += [name, value]
    quotes = "|".join(re.escape(repr(word)) for word in said)
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
    # A column that is open is left alone; a word or rule that is open is absent.
    value = _decided(value, "" if name == "columns" else None)
    if value is None:
        return settings
    try:
        if name == "heated":
            value = tuple(_spell(v) for v in value)
        elif name == "usual":
            usual = sorted((_usual(v) for v in value), key=lambda u: u.since)
            value = tuple(u for u in usual if u.values)
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
        elif name == "outcome":
            value = OutcomeRules(**_known_rules(value))
        return replace(settings, **{name: value})
    except (TypeError, AttributeError, KeyError) as error:
        raise SettingsError(
            name,
            "has an unexpected form",
            "compare it with the bench.toml that `reedlab new` writes",
        ) from error


def _decided(value: Any, instead: str | None) -> Any:
    """Return a setting with something instead of what is open: None leaves it out."""
    if isinstance(value, dict):
        return {k: kept for k, v in value.items() if (kept := _decided(v, instead)) is not None}
    return instead if value == OPEN else value


def _say_open(given: Mapping[str, Any], found: Findings) -> None:
    """Name the sheets and headings that are open, since they are not read."""
    for section, names in _sections(given):
        if left := [repr(name) for name, meant in names.items() if meant == OPEN]:
            what = "columns" if section.startswith("columns") else "sheets"
            found.add(
                FILE, None, section, ", ".join(left), "warning",
                f"the lines of these {what} are open, so they are not read: {', '.join(left)}",
                f'replace each "{OPEN}" by the {what.removesuffix("s").replace("sheet", "table")} '
                'that it is, or by ""',
            )  # fmt: skip


def _sections(given: Mapping[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Return ``[files]`` and the sections in it and in ``[columns]``, by name."""
    found = []
    for kind in ("files", "columns"):
        section = given.get(kind)
        if isinstance(section, dict):
            inner = [(f"{kind}.{k}", v) for k, v in section.items() if isinstance(v, dict)]
            found += [(kind, section), *inner]
    return found


def _known_rules(given: Mapping[str, Any]) -> Mapping[str, Any]:
    _one_of("outcome", given, [f.name for f in fields(OutcomeRules)])
    return given


def _spell(given: Mapping[str, Any]) -> tuple[str, str | None]:
    start, end = str(given["from"]), str(given["to"]) if "to" in given else None
    days = [start] if end is None else [start, end]
    if not all(_DAY.fullmatch(day) for day in days) or len({len(day) for day in days}) > 1:
        fix = 'write days such as 2024-10-15, or both as "10-15" for every year'
        raise SettingsError("heated", f"holds {', '.join(map(repr, days))}", fix)
    return start, end


def _usual(given: Mapping[str, Any]) -> Usual:
    values = dict(given)
    since = values.pop("from")
    since = since.date() if isinstance(since, dt.datetime) else since
    if not isinstance(since, dt.date):
        raise SettingsError("usual.from", f"is {since!r}", "write a day such as 2024-09-01")
    known = {
        name: column
        for name, column in SHEETS["reeds"].columns.items()
        if column.kind not in ("date", "text") and IN_REEDS.get(name, ("pieces",))[0] == "pieces"
    }
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
