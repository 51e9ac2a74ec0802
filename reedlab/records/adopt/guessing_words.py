"""What the words in a maker's cells mean: outcomes above all, then openings, crows and the like."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Mapping, Sequence

import pandas as pd

from reedlab.records.adopt.finding_tables import Part
from reedlab.records.adopt.guessing_columns import Answers, columns_of, examples
from reedlab.records.adopt.lines import Choice, Line, Path
from reedlab.records.adopt.vocabulary import plain, vocabulary
from reedlab.records.read.batch_rows import is_in_words
from reedlab.records.read.cell_values import (
    BLANK,
    Trouble,
    days_meant,
    is_currency,
    read_date,
    read_word,
    same_currency,
)
from reedlab.records.read.outcome_rules import is_name
from reedlab.records.settings import OPEN, OutcomeRules, Settings
from reedlab.records.tables import Column

OLD_DAYS = int(OutcomeRules.old_days)
"""A blank without an outcome after so many days is asked about: thrown away, or not noted?"""

_MANY_NAMES = 6
"""So many different words that are not known, and written as names, may be those of customers."""

_PRICE = re.compile(
    r"(?:[€$£]|eur|usd|chf)?\s*\d[\d.,]*(?:,-)?\s*(?:[€$£]|eur|euro|usd|chf)?", re.I
)
_SIGN = re.compile(r"[€$£¥]|[^\W\d_]+")
_BETWEEN = re.compile(r"[\s\-–—:,(/)]+")
_TO = frozenset(("to", "for", "an", "für", "à", "a"))
_SAYS = {
    "good": "good enough to sell",
    "playable": "for a pupil, or to practise",
    "reject": "finished, and no use",
    "given_up": "given up before it was finished",
    "broken": "broke or cracked",
}


def guess_words(
    table: str, parts: Sequence[Part], meant: Mapping[str, str], answers: Answers
) -> list[Line]:
    """Return the lines of words, for every column of a table that has a vocabulary.

    `meant` are the headings of the sheets, and the columns that they mean.
    """
    lines = []
    for column in columns_of(table).values():
        headings = [heading for heading, name in meant.items() if name == column.name]
        if column.kind in ("word", "yesno") and headings:
            texts = sum(
                (_texts(part, h, column) for part in parts for h in headings), Counter[str]()
            )
            lines += _of_column(column, headings[0], _one_spelling(texts), answers)
    return lines


def _texts(part: Part, heading: str, column: Column) -> Counter[str]:
    """Return the texts of a column; of an outcome a dash is one of them, since it may mean lost."""
    if heading not in part.body or column.name != "outcome":
        return part.texts(heading)
    cells = (" ".join(str(cell).split()) for cell in part.body[heading].dropna())
    known = vocabulary().words["outcome"]
    cells = (t for t in cells if t and (t.casefold() not in BLANK or plain(t) in known))
    return Counter(t for t in cells if not is_in_words(t))  # the check says what to do about those


def _one_spelling(texts: Counter[str]) -> Counter[str]:
    """Count "Gut" and "gut" together, as the more frequent of them."""
    spelled: dict[str, str] = {}
    counts = Counter[str]()
    for text, count in texts.most_common():
        counts[spelled.setdefault(text.casefold(), text)] += count
    return counts


def _of_column(column: Column, heading: str, texts: Counter[str], answers: Answers) -> list[Line]:
    """Return the lines of one column's words: known ones, then open ones."""
    known, unknown = _sorted(column, texts, answers)
    lines = []
    if column.name == "outcome":
        rule, unknown = _prices(unknown, answers)
        lines += rule
        rule, unknown = _names(unknown, answers)
        lines += rule
    choices = tuple(Choice(word, _SAYS.get(word, word)) for word in _offered(column))
    for text, count in unknown.most_common():
        why = f"{times(count)}: {', '.join(choice.value for choice in choices)}"
        near = _near(text, column)
        ask = f"{text!r} is under {heading!r} {times(count)}. What does it mean?"
        if near:
            ask += f" (Perhaps {near}.)"
        waits = count if column.name == "outcome" else count / 10
        path = ("words", column.name, text)
        lines.append(Line(path, OPEN, f"{why}{near and f' (perhaps {near})'}", ask, choices, waits))
    return [*known, *lines]


def _offered(column: Column) -> tuple[str, ...]:
    """Return the words of a column, of outcomes the best first."""
    if column.name == "outcome":
        return tuple(_SAYS)
    return ("yes", "no") if column.kind == "yesno" else column.words


def _sorted(
    column: Column, texts: Counter[str], answers: Answers
) -> tuple[list[Line], Counter[str]]:
    """Return the lines of words that are known, and the words that are not."""
    words = vocabulary().words.get(column.name, {})
    known, unknown = [], Counter[str]()
    answered = {p[-1].casefold(): p for p in answers if p[:-1] == ("words", column.name)}
    for text, count in texts.most_common():
        path: Path = ("words", column.name, text)
        if text.casefold() in answered:
            path = answered[text.casefold()]
            known.append(Line(path, answers[path]))
        elif _native(text, column):
            continue
        elif meaning := words.get(plain(text)) or _with_a_name(text, words):
            known.append(Line(path, meaning, times(count)))
        else:
            unknown[text] += count
    return known, unknown


def _with_a_name(text: str, words: Mapping[str, str]) -> str:
    """Return what a word means that a name follows: "Sold - Anna", "Schüler Tim"."""
    first, *rest = [part for part in _BETWEEN.split(text) if part]
    rest = rest[1:] if rest and rest[0].casefold() in _TO else rest
    return words.get(plain(first), "") if is_name(" ".join(rest)) else ""


def _native(text: str, column: Column) -> bool:
    try:
        read_word(text, column, {})
    except Trouble:
        return False
    return True


def _near(text: str, column: Column) -> str:
    """Return the word that a text is nearly spelt as, by what it means."""
    from rapidfuzz import fuzz, process

    words = {**vocabulary().words.get(column.name, {}), **{w: w for w in _offered(column)}}
    words = {word: meaning for word, meaning in words.items() if len(word) > 2}
    key = plain(text)
    if near := process.extractOne(key, [*words], scorer=fuzz.ratio, score_cutoff=75):
        return words[near[0]]
    first = max((w for w in words if key.startswith(f"{w} ")), key=len, default="")
    return words.get(first, "")  # "sold to Meyer" begins with "sold"


def _prices(unknown: Counter[str], answers: Answers) -> tuple[list[Line], Counter[str]]:
    """Decide that a price under the outcome means sold; marks of a few kinds are asked singly."""
    prices = Counter({t: n for t, n in unknown.items() if _PRICE.fullmatch(t)})
    marks = all(t.isdigit() and int(t) <= 6 for t in prices)
    path = ("outcome", "a_price")
    if not prices or (marks and path not in answers):
        return [], unknown
    why = f"{times(prices.total())}, such as {examples(prices)}"
    return [Line(path, answers.get(path, "good"), why)], unknown - prices


def _names(unknown: Counter[str], answers: Answers) -> tuple[list[Line], Counter[str]]:
    """Ask once whether many words that look like names are those of customers."""
    path = ("outcome", "a_name")
    names = Counter({t: n for t, n in unknown.items() if is_name(t)})
    if path in answers:
        some = f"{len(names)} names, such as {examples(names)}" if names else "a customer's, say"
        rule = Line(path, answers[path], some)
        return [rule], unknown if rule.value == "" else unknown - names
    if len(names) < _MANY_NAMES:
        return [], unknown
    choices = (
        Choice("good", "names of customers: such a reed was sold"),
        Choice("playable", "names of pupils: such a reed was playable"),
        Choice("", "no: ask about each word"),
    )
    why = f'{len(names)} different words, {times(names.total())}: good, playable, or "" for neither'
    ask = f"Are these names: {examples(names)} and {len(names) - 3} more ({times(names.total())})?"
    return [Line(path, OPEN, why, ask, choices, names.total())], unknown - names


def times(count: int) -> str:
    """Write how often a word is there."""
    return "once" if count == 1 else f"{count:,} times"


def guess_date_order(dated: Sequence[Counter[str]], answers: Answers) -> list[Line]:
    """Return the line of the date order, if any day needs it: the columns as a whole settle it."""
    path = ("date_order",)
    if path in answers:
        return [Line(path, answers[path])]
    shown: Counter[str] = Counter()
    unclear: Counter[str] = Counter()
    shows: dict[str, str] = {}
    for text, count in sum(dated, Counter[str]()).items():
        day_first = bool(days_meant(text, "day-month", False))
        month_first = bool(days_meant(text, "month-day", False))
        if day_first and month_first and len(set(days_meant(text, None, False))) > 1:
            unclear[text] += count
        elif day_first != month_first:
            order = "day-month" if day_first else "month-day"
            shown[order] += count
            shows.setdefault(order, text)
    if not unclear and not shown:
        return []
    if len(shown) == 1:
        (order,) = shown
        return [Line(path, order, f"as {shows[order]} shows")]
    if not shown and all("." in text for text in unclear):
        return [Line(path, "day-month", f"days with points, such as {examples(unclear)}")]
    if not unclear:
        return []  # each day is clear by itself, or named when the bench is checked
    choices = (
        Choice("day-month", "the day comes first"),
        Choice("month-day", "the month comes first"),
    )
    why = f"{unclear.total():,} days, such as {examples(unclear)}: day-month or month-day"
    ask = f"In {examples(unclear)}, does the day or the month come first?"
    return [Line(path, OPEN, why, ask, choices, unclear.total())]


def guess_currency(prices: Sequence[Counter[str]], answers: Answers) -> list[Line]:
    """Return the line of the currency, if all prices that name one name the same other one."""
    path = ("costs", "currency")
    if path in answers:
        return [Line(path, answers[path])]
    named = Counter[str]()
    for text, count in sum(prices, Counter[str]()).items():
        named.update({sign.upper(): count for sign in _SIGN.findall(text) if is_currency(sign)})
    if len(named) != 1:
        return []
    ((sign, count),) = named.items()
    if same_currency(sign, Settings().currency):
        return []
    return [Line(path, sign, f"as {count:,} prices say")]


def guess_empty(
    parts: Sequence[Part],
    meant: Mapping[str, str],
    filled: Sequence[str],
    order: str | None,
    today: dt.date,
    answers: Answers,
) -> list[Line]:
    """Return the rule for old blanks without an outcome: asked once, never assumed."""
    path = ("outcome", "when_old_and_empty")
    if path in answers:
        return [Line(path, answers[path])]
    signs = [h for h, column in meant.items() if column == "outcome"] + [*filled]
    days = [h for h, column in meant.items() if column == "tied_on"]
    if not signs or not days:
        return []
    last = pd.Timestamp(today) - pd.Timedelta(days=OLD_DAYS)
    old = sum(_old_and_empty(part, signs, days, order, last) for part in parts)
    if not old:
        return []
    choices = (
        Choice("given_up", "thrown away"),
        Choice("", "not noted, or still here: leave them open"),
    )
    return [
        Line(
            path, OPEN, "given_up if you threw them away, \"\" if you did not note the outcome",
            f"{old:,} {'blanks are' if old > 1 else 'blank is'} older than {OLD_DAYS} days without "
            "an outcome. Thrown away, or not noted?",
            choices, old,
        ),
        Line(("outcome", "old_days"), OLD_DAYS, "days after which a blank is old"),
    ]  # fmt: skip


def _old_and_empty(
    part: Part, signs: list[str], days: list[str], order: str | None, last: pd.Timestamp
) -> int:
    """Count the rows that are old and show no sign of an outcome."""
    there = [h for h in signs if h in part.body]
    day = next((h for h in days if h in part.body), None)
    if not there or day is None:
        return 0
    empty = part.body[there].isna().all(axis=1)
    return sum(_before(text, order, last) for text in part.body.loc[empty, day].dropna())


def _before(text: object, order: str | None, last: pd.Timestamp) -> bool:
    try:
        return read_date(str(text).strip(), order) <= last
    except Trouble:
        return False
