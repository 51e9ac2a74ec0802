"""Which sheet is which table, and which heading is which column: by its words and its cells."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from functools import cached_property

import pandas as pd

from reedlab.records.adopt.finding_tables import Part
from reedlab.records.adopt.lines import Choice, Line, Path, Value
from reedlab.records.adopt.vocabulary import plain, vocabulary
from reedlab.records.read.amounts import price_for
from reedlab.records.read.cell_values import (
    OTHER_UNITS,
    Trouble,
    days_meant,
    is_currency,
    month_called,
    read_date,
    unit_of_column,
)
from reedlab.records.read.outcome_rules import NOT_A_TICK
from reedlab.records.read.sheets_as_text import heading_key
from reedlab.records.settings import OPEN
from reedlab.records.tables import (
    COUNTED,
    PENDING_COUNT,
    SHEETS,
    TABLES,
    TIED_COUNT,
    UNIT_SPELLINGS,
    Column,
    name_in_reeds,
    stem,
)

Answers = Mapping[Path, Value]

_NEARLY_ALL = 0.95  # of the rows of batches count no more reeds than were tied
_ENOUGH = 0.6  # of a column's cells must be what the column holds
_SURE_SPELLING, _LIKELY_SPELLING = 90, 80  # of 100, as rapidfuzz counts
_EXAMPLES = 3
_MOST_OF_A_BATCH = 500
_FEW = 6  # columns that a question can offer
_TO_KNOW = ("outcome", "tied_on", "lot")
"""What a reed cannot be used without: an unknown heading that may hold it is asked about."""

_OFTEN = (
    "tied_on", "finished_on", "judged_on", "sold_on", "lot", "supplier", "outcome", "maker",
    "opening", "style", "rough_min", "finish_min", "scrape_min", "rh_pct", "temp_c",
)  # fmt: skip
"""Columns that many sheets have, which an unknown heading may mean."""

_OF_MANY = {"reed", "lot", "piece", "note", "fault", "rh_pct", "temp_c", "lost_at"}
"""Columns of a reed that other tables have too, so they do not show what a sheet holds."""

_STARTS_WITH_DIGIT = re.compile(r"[~+\-]?\s*(?:ca\.?|[€$£])?\s*[.,]?\d")
_MARK = re.compile(r"[1-6A-Fa-f][+-]?(-[1-6])?")  # as in a school
_PERCENT = re.compile(r"\d{1,3}(?:[.,]\d+)?\s*%")
_DECIMAL = re.compile(r"\d*[.,]\d+")
_LEAVE = Choice("", "none of these: leave it alone")


def columns_of(table: str) -> Mapping[str, Column]:
    """Return what a sheet of this table may hold."""
    return SHEETS[table].columns


def guess_tables(parts: Sequence[Part], answers: Answers) -> dict[str, Line]:
    """Return the line of each part, by its place: the table that it holds, or a question."""
    guesses = {part.place: _table_of(part) for part in parts}
    found_reeds = "reeds" in guesses.values()
    largest = max((p for p in parts if not guesses[p.place]), key=_rows, default=None)
    lines = {}
    for part in parts:
        path = path_of(part)
        if path in answers:
            lines[part.place] = Line(path, answers[path])
        elif table := guesses[part.place]:
            lines[part.place] = Line(path, table, f"{_rows(part):,} rows")
        elif part is largest and not found_reeds:
            choices = tuple(Choice(name, f"each row is {TABLES[name].says}") for name in TABLES)
            named = ", ".join(part.headings[:6])
            lines[part.place] = Line(
                path, OPEN, f"{_rows(part):,} rows: {', '.join(TABLES)}, or \"\" to leave it",
                f"What does {part.place} hold? Its headings are {named}.",
                (*choices, _LEAVE), _rows(part),
            )  # fmt: skip
        else:
            some = any(map(vocabulary().knows, part.headings))
            why = "no table by its headings" if some else "no headings that reedlab knows"
            lines[part.place] = Line(path, "", f"{why}: not read")
    return lines


def path_of(part: Part) -> Path:
    """Return where ``bench.toml`` says what a part holds; the file is put in when it is written."""
    return ("files", str(part.file), *([part.sheet] if part.sheet else []))


def _rows(part: Part) -> int:
    return len(part.body)


def _table_of(part: Part) -> str:
    """Return the table whose columns a part's headings name, or an empty string."""
    if any(map(part.in_words, part.headings)):
        return "reeds"
    words = vocabulary()
    named = words.tables.get(plain(part.name), "")
    scores: Counter[str] = Counter()
    for table in TABLES:
        columns = [c for h in part.headings for c in _candidates(h, table)[:1]]
        own = set(TABLES[table].columns) - _OF_MANY if table == "reeds" else set(columns)
        either = [h for h in part.headings if plain(h) in words.either]
        filled = [h for h in part.headings if plain(h) in words.filled] if table == "reeds" else []
        if named == table or filled or own & set(columns):
            scores[table] = len({*columns}) + len(filled) + len(either) + 3 * (named == table)
        needed = [c for c in TABLES[table].needed if c not in ("reed", "lot", "tied_on", "outcome")]
        few = len({*columns} - _OF_MANY - {"length_mm"}) < 2  # a length alone may be a reed's
        lacks = not set(needed) <= {*columns, "lot", "piece"}
        if table != "reeds" and named != table and (few or lacks):
            scores[table] = 0
    # A sheet of reeds may have all that lots and pieces have, and something of its own.
    order = ["reeds", *(name for name in TABLES if name != "reeds")]
    best = max(order, key=lambda name: scores[name])
    if scores[best] >= 2:
        return best
    known = {c for heading in part.headings for c in _candidates(heading, "reeds")[:1]}
    return "reeds" if {"reed", "lot"} <= known or _has_outcomes(part) else ""


def _has_outcomes(part: Part) -> bool:
    """Say whether a column of a sheet has words for how reeds turned out."""
    outcome = columns_of("reeds")["outcome"]
    texts = map(part.texts, part.headings)
    return any(len(t) > 1 and _looks_like("outcome", t, outcome) for t in texts)


def _candidates(heading: str, table: str) -> list[str]:
    """Return the columns of a table that a heading alone may mean, the likeliest first."""
    columns, key = columns_of(table), heading_key(heading)
    native = [key] if key in columns else []
    meant = _in_table(vocabulary().columns.get(plain(heading), ""), table)
    several = plain(heading) in vocabulary().either
    stems = [name for name in columns if stem(name) == key and not several]
    return list(dict.fromkeys([*native, *([meant] if meant else []), *stems]))


def _in_table(column: str, table: str) -> str:
    """Return what a column is called in a sheet of this table; empty if it has none such."""
    columns = columns_of(table)
    if column in columns:
        return column
    if (table, column) == ("reeds", "minutes"):
        return "scrape_min"
    for other in ("pieces", "lots") if table == "reeds" else ():
        if column in TABLES[other].columns:
            name = name_in_reeds(other, column)
            return name if name in columns else ""
    return ""


@dataclass
class _Table:
    """The headings of all parts that hold one table, and what is decided about them."""

    name: str
    parts: list[Part]
    answers: Answers
    lots: Set[str] = frozenset()  # the labels in a sheet of lots
    lines: dict[str, list[Line]] = field(default_factory=dict)
    meant: dict[str, str] = field(default_factory=dict)  # headings, and the columns decided

    @cached_property
    def headings(self) -> list[str]:
        """Every heading, once."""
        return list(dict.fromkeys(h for part in self.parts for h in part.headings))

    def beside(self, heading: str) -> list[str]:
        """Return every heading of the sheets that have this one, itself among them."""
        return list(dict.fromkeys(h for part in self._with(heading) for h in part.headings))

    def taken(self, heading: str) -> set[str]:
        """Return the columns that headings in the sheets with this one mean."""
        return {self.meant[other] for other in self.beside(heading) if other in self.meant}

    def _with(self, heading: str) -> list[Part]:
        return [part for part in self.parts if heading in part.headings]

    def texts(self, heading: str) -> Counter[str]:
        """Return the texts under a heading, over all parts."""
        return sum((part.texts(heading) for part in self.parts), Counter())

    def rows(self, heading: str) -> int:
        """Return the number of rows of the sheets that have a heading."""
        return sum(map(_rows, self._with(heading)))

    def path(self, heading: str) -> Path:
        """Return where ``bench.toml`` says what a heading means."""
        return ("columns", self.name, heading)

    def decide(self, heading: str, column: str, why: str = "") -> None:
        """Note that a heading means a column."""
        filled = f"{self.texts(heading).total():,} filled"
        self.meant[heading] = column
        self.lines[heading] = [Line(self.path(heading), column, f"{filled}{why and '; '}{why}")]


def guess_columns(
    table: str, parts: Sequence[Part], answers: Answers, lots: Set[str] = frozenset()
) -> list[Line]:
    """Return the lines of a table's headings, in the order of the sheet.

    The surest are decided first: what the maker answered, headings with one meaning, columns in
    which any entry is an outcome, headings with several meanings, misspelt ones, unknown ones.
    `lots` are the labels in a sheet of lots.
    """
    here = _Table(table, list(parts), answers, lots)
    surest = (_answered, _in_words, _counted, _priced, _known)
    for step in (*surest, _filled, _either, _misspelt, _unknown):
        for heading in here.headings:
            if heading not in here.lines:
                step(here, heading)
    lines = [line for heading in here.headings for line in here.lines.get(heading, [])]
    return [*lines, *_sold(here)]


def _sold(here: _Table) -> list[Line]:
    """Return the lines that say that a reed with a price was sold."""
    prices = [heading for heading, column in here.meant.items() if column == "sold_for"]
    paths = [("outcome", "filled", heading) for heading in prices]
    return [Line(path, here.answers.get(path, "good"), "a price: sold") for path in paths]


def _answered(here: _Table, heading: str) -> None:
    value = here.answers.get(here.path(heading))
    if value is None:
        return
    if value:
        here.meant[heading] = str(value)
    here.lines[heading] = [Line(here.path(heading), value)]
    outcome = ("outcome", "filled", heading)
    if outcome in here.answers:
        here.lines[heading].append(Line(outcome, here.answers[outcome]))


def _in_words(here: _Table, heading: str) -> None:
    """Leave a column alone whose cells hold whole batches; that is said of the sheet."""
    if here.name == "reeds" and any(part.in_words(heading) for part in here.parts):
        here.lines[heading] = [Line(here.path(heading), "", "a whole batch in one cell: not read")]


def _counted(here: _Table, heading: str) -> None:
    """Decide a count of a row that is a whole batch: "tied 10, good 6"."""
    key, words = plain(heading), vocabulary()
    outcome = _outcome_named(heading)
    column = f"{outcome}_count" if outcome else TIED_COUNT
    means = words.columns.get(key)
    several = words.either.get(key)
    pieces = means == "piece" or (several is not None and several.means == ("piece", "quantity"))
    tied = means in ("tied_on", "quantity") or (pieces and _counts_outcomes(here, heading))
    texts = here.texts(heading)
    # A few that are bad, one at most in a row, are counted too.
    few = outcome and _are_whole(texts) and _counts_outcomes(here, heading)
    are_counts = _are_counts(texts) or few
    free = column in columns_of(here.name) and column not in here.taken(heading)
    if not free or not (outcome or tied) or not are_counts:
        return
    if outcome == "good" and not _counts_others(here, heading):  # 28 may be what it sold for
        _ask(here, heading, ["sold_for", column], f"What does the column {heading!r} hold")
    else:
        here.decide(heading, column, "a row is a batch")


def _priced(here: _Table, heading: str) -> None:
    """Decide a price of cane by the kilogram, or for several pieces: "Preis pro kg"."""
    before, column, pieces = price_for(heading)
    columns, texts = columns_of(here.name), here.texts(heading)
    free = column in columns and column not in here.taken(heading)
    if free and _names_a_price(before) and fits(texts, columns[column]):
        here.decide(heading, column, f"for {pieces:,} pieces" if pieces > 1 else "")


def _names_a_price(text: str) -> bool:
    """Say whether a word of a heading is one for a price, or for money."""
    words = vocabulary()
    several = (words.either.get(key) for key in plain(text).split())
    return is_currency(text) or any(e is not None and "price" in e.means for e in several)


def _outcome_named(heading: str) -> str:
    """Return the outcome that a heading names, as one of ticks or of counts does; empty if none."""
    key, words = plain(heading), vocabulary()
    word = "" if key in words.columns else words.words["outcome"].get(key, "")  # "No" is a label
    return words.filled.get(key, word)


def _counts_outcomes(here: _Table, heading: str) -> bool:
    """Say whether a column beside it counts reeds of one outcome, so that each row is a batch."""
    return any(_are_counts(here.texts(h)) for h in here.beside(heading) if _outcome_named(h))


def _counts_others(here: _Table, heading: str) -> bool:
    """Say whether another column counts reeds too: those tied, or those of another outcome."""
    words = vocabulary()
    return any(
        _are_counts(here.texts(h)) for h in here.beside(heading)
        if h != heading and (_outcome_named(h)
                             or words.columns.get(plain(h)) in ("tied_on", "quantity", "piece"))
    )  # fmt: skip


def _are_counts(texts: Counter[str]) -> bool:
    """Say whether a column's cells are small whole numbers, and not all 1 as ticks may be."""
    return _are_whole(texts) and any(text.isdecimal() and int(text) > 1 for text in texts)


def _are_whole(texts: Counter[str]) -> bool:
    """Say whether a column's cells are small whole numbers."""
    whole = _share(texts, lambda text: text.isdecimal() and int(text) <= _MOST_OF_A_BATCH)
    return whole >= _ENOUGH


def _may_count(here: _Table, heading: str) -> list[str]:
    """Return what an unknown column of a row that is a batch may count; empty if it counts none."""
    taken = here.taken(heading)
    if not ({TIED_COUNT, *COUNTED} & taken and _are_whole(here.texts(heading))):
        return []
    for part in here.parts:
        meant = {here.meant.get(other, ""): other for other in part.headings}
        if heading in part.headings and TIED_COUNT in meant:
            columns = [heading, *(meant[name] for name in COUNTED if name in meant)]
            cells = part.body[[meant[TIED_COUNT], *columns]].apply(pd.to_numeric, errors="coerce")
            if (cells[columns].sum(axis=1) > cells.iloc[:, 0]).mean() > 1 - _NEARLY_ALL:
                return []
    return [name for name in (*reversed(COUNTED), PENDING_COUNT) if name not in taken]


def _known(here: _Table, heading: str) -> None:
    """Decide a heading with one meaning, if its cells are what that column holds."""
    texts, columns = here.texts(heading), columns_of(here.name)
    outcome = vocabulary().filled.get(plain(heading)) if here.name == "reeds" else None
    if _grades(here, heading) or (outcome and _other_outcomes(here, heading)):
        return
    for column in _candidates(heading, here.name) or _own_label(here, heading):
        if column == "customer" and all(map(_is_tick, texts)):
            continue
        if column not in here.taken(heading) and fits(texts, columns[column], heading):
            here.decide(heading, column)
            if outcome:  # a day of sale, or a customer, says how the reed turned out, too
                here.lines[heading].append(Line(("outcome", "filled", heading), outcome, "sold"))
            return


def _own_label(here: _Table, heading: str) -> list[str]:
    """Return the label of a lot or piece where "No." is its only label, as it is a reed's."""
    key = TABLES[here.name].key
    if key not in ("lot", "piece") or vocabulary().columns.get(plain(heading)) != "reed":
        return []
    return [] if any(key in _candidates(h, here.name) for h in here.beside(heading)) else [key]


def _is_tick(text: str) -> bool:
    return len(text) == 1 or text.casefold() in ("yes", "ja", "oui", "sì", "sí")


def _grades(here: _Table, heading: str) -> bool:
    """Say whether outcomes or marks are below a heading that may mean them: a German "Note"."""
    entry, texts = vocabulary().either.get(plain(heading)), here.texts(heading)
    if here.name != "reeds" or entry is None:
        return False
    marks = "outcome" in entry.means and _share(texts, _is_mark) >= _ENOUGH
    return marks or _looks_like("outcome", texts, columns_of("reeds")["outcome"])


def _is_mark(text: str) -> bool:
    return _MARK.fullmatch(text) is not None


def _filled(here: _Table, heading: str) -> None:
    """Decide a column in which any entry is an outcome; its entries may be nothing else."""
    outcome = vocabulary().filled.get(plain(heading))
    if here.name != "reeds" or outcome is None:
        return
    texts = here.texts(heading)
    if _are_counts(texts):
        return  # "good 6" is a count of a batch, and no tick
    if "outcome" not in here.taken(heading) and _other_outcomes(here, heading):
        here.decide(heading, "outcome", "with words for other outcomes")
        here.lines[heading].append(Line(("outcome", "a_name"), outcome, "a customer's, say"))
        return
    entries = sum(n for t, n in texts.items() if t.casefold() not in NOT_A_TICK)
    here.lines[heading] = [
        Line(here.path(heading), "", "read as an outcome, below"),
        Line(("outcome", "filled", heading), outcome, f"{entries:,} filled"),
    ]


def _other_outcomes(here: _Table, heading: str) -> bool:
    """Say whether a column of customers also has words for reeds that were not sold."""
    known = vocabulary().words["outcome"]
    cells = (cell for part in here.parts if heading in part.body for cell in part.body[heading])
    meant = (known.get(plain(cell)) for cell in cells if isinstance(cell, str))
    return any(outcome not in (None, "good") for outcome in meant)


def _either(here: _Table, heading: str) -> None:
    """Decide or ask about a heading with several meanings."""
    entry = vocabulary().either.get(plain(heading))
    if entry is None:
        return
    texts, columns = here.texts(heading), columns_of(here.name)
    names = [name for name in (_in_table(c, here.name) for c in entry.means) if name]
    taken = here.taken(heading)
    free = [
        name for name in dict.fromkeys(names)
        if name not in taken and fits(texts, columns[name], heading)
    ]  # fmt: skip
    dated = [other for other in here.beside(heading) if _shows_when(here.texts(other))]
    if entry.only == "date" and free and dated == [heading]:
        here.decide(heading, free[0], "the only column of days")
    elif heading_key(heading) in free and not _grades(here, heading):
        here.decide(heading, heading_key(heading))
    elif len(free) == 1 and (here.name != "reeds" or entry.only == "fit"):
        here.decide(heading, free[0])
    elif "lot" in free and texts and {*texts} <= here.lots:
        here.decide(heading, "lot", "the labels of your lots")
    elif "lot" in free and "supplier" in taken and _repeats(texts):
        here.decide(heading, "lot", "the supplier has a column, and these repeat")
    elif free:
        _ask(here, heading, free, f"What does the column {heading!r} hold")


def _misspelt(here: _Table, heading: str) -> None:
    """Decide or ask about a heading that is nearly a known one."""
    from rapidfuzz import fuzz, process

    key = plain(heading)
    if len(key) < 5 or vocabulary().knows(heading):
        return  # a known heading with other cells than its own is no misspelling
    columns, taken = columns_of(here.name), here.taken(heading)
    known = {
        word: column
        for word, means in vocabulary().columns.items()
        if (column := _in_table(means, here.name)) and column not in taken
    }
    near = process.extract(key, [*known], scorer=fuzz.ratio, limit=3, score_cutoff=_LIKELY_SPELLING)
    near = [n for n in near if fits(here.texts(heading), columns[known[n[0]]], heading)]
    names = list(dict.fromkeys(known[word] for word, _, _ in near))
    if len(names) == 1 and near[0][1] >= _SURE_SPELLING:
        here.decide(heading, names[0], f"spelt nearly as {near[0][0]!r}")
    elif names:
        _ask(here, heading, names, f"Is the column {heading!r}")


def _unknown(here: _Table, heading: str) -> None:
    """List an unknown heading; ask where it may hold what a reed cannot be used without."""
    texts, columns, taken = here.texts(heading), columns_of(here.name), here.taken(heading)
    may_be = [
        name for name in (_TO_KNOW if here.name == "reeds" else ())
        if name not in taken and not _of_another_unit(heading, columns[name])
        and _looks_like(name, texts, columns[name])
    ]  # fmt: skip
    if counts := _may_count(here, heading):
        _ask(here, heading, counts, f"What does the column {heading!r} count")
        return
    if may_be:  # what else it may be, so that she need not choose what it is not
        may_be = list(dict.fromkeys([*may_be, *_by_cells(here, heading)]))[:_FEW]
    may_be = may_be or _of_unit(here, heading) or _prices(here, heading)
    if not may_be and _are_percent(texts):
        may_be = [name for name in ("rh_pct",) if name in columns and name not in taken]
    if may_be:
        _ask(here, heading, may_be, f"What does the column {heading!r} hold")
        return
    total = texts.total()
    if not total:
        here.lines[heading] = [Line(here.path(heading), "", "empty")]
        return
    why = f"{total:,} filled, such as {examples(texts)}: not read until you name a column"
    here.lines[heading] = [Line(here.path(heading), OPEN, why)]


def _by_cells(here: _Table, heading: str) -> list[str]:
    """Return the columns that are often kept whose values an unknown column's cells may be."""
    texts, columns, taken = here.texts(heading), columns_of(here.name), here.taken(heading)
    numbers = _share(texts, lambda text: bool(_STARTS_WITH_DIGIT.match(text))) >= _ENOUGH
    names = []
    for name in _OFTEN:
        column = columns.get(name)
        if column is None or name in taken or not fits(texts, column, heading):
            continue
        of_words = column.kind in ("name", "word")
        if not of_words or (_repeats(texts) and (name == "lot" or not numbers)):
            names.append(name)
    return names


def _of_unit(here: _Table, heading: str) -> list[str]:
    """Return the columns in the unit that an unknown heading ends in, if they are few."""
    unit, taken = _unit_named(heading), here.taken(heading)
    names = [
        name for name, column in columns_of(here.name).items()
        if unit and _unit(column) == unit and name not in taken
        and fits(here.texts(heading), column, heading)
    ]  # fmt: skip
    return names if len(names) <= _FEW else []


def _prices(here: _Table, heading: str) -> list[str]:
    """Return the columns of money that an unknown heading with a word for a price may mean."""
    free = [
        name for name, column in columns_of(here.name).items()
        if column.kind == "money" and name not in here.taken(heading)
        and fits(here.texts(heading), column, heading)
    ]  # fmt: skip
    return free[:_FEW] if _names_a_price(heading) and here.texts(heading) else []


def _unit_named(heading: str) -> str:
    """Return the unit that a heading ends in: a column's, or "money"; empty if it names none.

    >>> _unit_named("geschabt (Min)"), _unit_named("Breite mm"), _unit_named("Tip [in]")
    ('min', 'mm', 'mm')
    >>> _unit_named("Kosten (EUR)"), _unit_named("Made in"), _unit_named("Note (1-5)")
    ('money', '', '')
    """
    bracketed = heading.strip().endswith((")", "]"))
    last = re.split(r"[(\[]" if bracketed else r"[\s_]+", heading.casefold().strip(" )]."))[-1]
    last = last.strip(" .")
    for unit, spellings in UNIT_SPELLINGS.items():
        if last in spellings or (bracketed and last in OTHER_UNITS.get(unit, ())):
            return unit
    return "money" if is_currency(last) else ""


def _unit(column: Column) -> str:
    """Return the unit of a column's values as `_unit_named` names it."""
    return "money" if column.kind == "money" else unit_of_column(column)


def _of_another_unit(heading: str, column: Column) -> bool:
    """Say whether a heading names a unit that the column's values do not have."""
    unit = _unit_named(heading)
    if own := _unit(column):
        return unit not in ("", own)
    # A count, a grade or a hardness may have a unit that is not listed here.
    return unit != "" and column.kind not in ("number", "count")


def _looks_like(name: str, texts: Counter[str], column: Column) -> bool:
    """Say whether an unknown column may hold one that a reed needs."""
    if name == "tied_on":
        return is_dated(texts)
    if name == "outcome":
        known = vocabulary().words["outcome"]
        hits = sum(n for text, n in texts.items() if plain(text) in known)
        return hits * 2 >= texts.total() > 0
    return _repeats(texts) and not _are_percent(texts) and fits(texts, column)


def _are_percent(texts: Counter[str]) -> bool:
    return _share(texts, lambda text: _PERCENT.fullmatch(text) is not None) >= _ENOUGH


def _repeats(texts: Counter[str]) -> bool:
    """Say whether a column's texts stand twice or more each, as labels of lots do."""
    return 0 < len(texts) * 2 <= texts.total()


def _ask(here: _Table, heading: str, names: list[str], question: str) -> None:
    """Leave a heading open, with the columns that it may mean."""
    columns, texts = columns_of(here.name), here.texts(heading)
    known = here.taken(heading)
    known |= {"outcome", "sold_for"} if _says_outcome(here, heading) else set()
    missing = here.name == "reeds" and {*names} & {*_TO_KNOW, "sold_for", *COUNTED} - known
    choices = tuple(Choice(name, columns[name].says) for name in names)
    total = texts.total()
    here.lines[heading] = [
        Line(
            here.path(heading), OPEN,
            f"{total:,} filled, such as {examples(texts)}: {', '.join(names)}, or \"\" to leave it",
            f"{question} ({total:,} filled, such as {examples(texts)})?",
            (*choices, _LEAVE),
            here.rows(heading) if missing else total / 10,
        )
    ]  # fmt: skip


def _says_outcome(here: _Table, heading: str) -> bool:
    """Say whether a column beside it says how reeds turned out."""
    lines = (line for other in here.beside(heading) for line in here.lines.get(other, ()))
    return "outcome" in here.taken(heading) or any(line.path[0] == "outcome" for line in lines)


def examples(texts: Iterable[str]) -> str:
    """Return the first few texts, on one line."""
    some = [" ".join(text.split())[:30] for text, _ in zip(texts, range(_EXAMPLES))]
    return ", ".join(some)


def is_dated(texts: Counter[str]) -> bool:
    """Say whether most of a column's cells are days."""
    return _share(texts, _is_day) >= _ENOUGH


def _is_day(text: str) -> bool:
    if days_meant(text, None, None):
        return True
    try:
        read_date(text, None)
    except Trouble:
        return False
    return not text.replace(".", "").isdigit()


def _share(texts: Counter[str], is_one: Callable[[str], bool]) -> float:
    """Return the share of a column's cells that are such."""
    total = texts.total()
    return sum(n for text, n in texts.items() if is_one(text)) / total if total else 0.0


def fits(texts: Counter[str], column: Column, heading: str = "") -> bool:
    """Say whether a column's cells are of the kind that the column holds; an empty column fits."""
    if _of_another_unit(heading, column):
        return False
    if not texts:
        return True
    match column.kind:
        case "number" | "count" | "money" | "minutes":
            many = _share(texts, lambda text: bool(_STARTS_WITH_DIGIT.match(text))) >= _ENOUGH
            return many and not is_dated(texts) and _possible(texts, column, heading)
        case "date" | "time":
            return _shows_when(texts)
        case "word" | "yesno":
            return not is_dated(texts) and (
                column.name == "outcome"
                or _share(texts, lambda text: bool(_STARTS_WITH_DIGIT.match(text))) < _ENOUGH
            )
        case _:
            decimals = _share(texts, lambda text: bool(_DECIMAL.fullmatch(text))) >= _ENOUGH
            return column.kind == "text" or not (decimals or is_dated(texts))


def _possible(texts: Counter[str], column: Column, heading: str) -> bool:
    """Say whether numbers can be this column's, unless the heading names a unit to convert."""
    plain_numbers = Counter(
        {t: n for t, n in texts.items() if t.replace(",", ".", 1).replace(".", "", 1).isdecimal()}
    )
    if column.possible is None or "(" in heading or "[" in heading or not plain_numbers:
        return True
    low, high = column.possible
    return _share(plain_numbers, lambda t: low <= float(t.replace(",", ".")) <= high) >= _ENOUGH


def _shows_when(texts: Counter[str]) -> bool:
    """Say whether most of a column's cells are days, or months with a year."""
    return _share(texts, lambda text: _is_day(text) or _is_month(text)) >= _ENOUGH


def _is_month(text: str) -> bool:
    """Say whether a text is a month and a year."""
    match = re.fullmatch(r"\d{1,2}/\d{4}|([^\W\d_]{3,12})\.? '?\d{2,4}", text)
    return match is not None and (match[1] is None or month_called(match[1]) is not None)


def parts_by_table(
    parts: Sequence[Part], lines: Mapping[str, Line], answers: Answers
) -> Iterator[tuple[str, list[Part]]]:
    """Yield each table that is held, with its parts, in the order of `TABLES`.

    Headings that the reader takes for one, such as "No", "no" and "No.", are spelt as the maker
    answered one of them, else as the first of them.
    """
    for table in TABLES:
        held = [part for part in parts if lines[part.place].value == table]
        spelt = [path[-1] for path in answers if path[:-1] == ("columns", table)]
        spelt += [heading for part in held for heading in part.headings]
        one = {heading_key(heading): heading for heading in reversed(spelt)}
        if held:
            yield table, [_spelt(part, one) for part in held]


def _spelt(part: Part, one: Mapping[str, str]) -> Part:
    """Spell a part's headings as `one` has them by their keys; units in brackets stay."""
    names: list[str] = []
    for heading in part.headings:
        other = one[heading_key(heading)]
        alone = other not in (*names, *part.headings) and not {*heading, *other} & {*"([{"}
        names.append(other if alone else heading)
    return replace(part, headings=tuple(names), body=part.body.set_axis(names, axis=1))
