"""One cell's text becomes a number, minutes, a date or a word, or trouble that says why not.

Nothing is guessed: 03/04/2025 is not read until ``bench.toml`` says whether day or month comes
first, nor 1,234 until the rest of the table shows whether its comma is a decimal comma.
`column_forms` asks the column.
"""

from __future__ import annotations

import contextlib
import difflib
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from functools import cache

import pandas as pd

from reedlab.records.read.batch_rows import IN_COLUMNS, is_in_words
from reedlab.records.settings import Settings
from reedlab.records.store import FORMULA
from reedlab.records.tables import UNIT_SPELLINGS, Column

BLANK = frozenset({"", "-", "--", "–", "—", "?", "n/a", "n.a.", "na", "none", "nil", "nan", "null"})
"""What people write into a cell that is empty."""

_BLANKS = " \t\r\n\f\v\u00a0\u2007\u2009\u202f\u200b\ufeff"
_SEPARATOR = r"[\s\u00a0\u2007\u2009\u202f'’]"
_SPACES = re.compile(f"{_SEPARATOR}+")
_SPREADSHEET_ERROR = re.compile(r"#(N/A|DIV/0!|REF!|VALUE!|NAME\?|NUM!|NULL!)|Err:\d{3}")
_NUMBER = re.compile(
    r"(?P<before>[^\d+\-.,]{0,4})"
    r"(?P<number>[+-]?[\d.,][\d.,\s\u00a0\u2007\u2009\u202f'’]*(?<=[\d.,\s]))"
    r"(?P<unit>\D[^\s]{0,8}|)"
)
COMMA_DECIMAL = re.compile(
    r"[+-]?(?:\d{1,3}(?:\.\d{3})+,\d+|\d+,(?:\d{1,2}|\d{4,})|0?,\d+|\d{1,3}(?:\.\d{3}){2,})"
    r"(?![\d.,])"
)
TWO_READINGS = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")
HOURS_OR_DECIMALS = re.compile(r"\d{1,2}[.,][0-5]\d")
"""Minutes such as 1.30: one and a third, or an hour and a half."""

_THOUSANDS = re.compile(rf"[+-]?\d{{1,3}}(?:({_SEPARATOR})\d{{3}}(?:\1\d{{3}})*)?(?:[.,]\d*)*")
_TWO_PARTS = re.compile(rf"([+-]?\d+){_SEPARATOR}+(\d{{1,2}})")
_TWO_TIMES = re.compile(r"(\d{1,3})(?:\s+|\s*(['’′])\s*)([0-5]\d)")
_WHOLE_MONEY = re.compile(r"(?<=\d)[.,](-{1,2}|[–—])(?!\d)")  # 25,- is 25
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d)(?:\.\d+)?)?")
_MINUTES = re.compile(
    r"(?:(\d{1,3})\s*h(?:ours?|rs?)?)?\s*"
    r"(?:(\d{1,4}(?:[.,]\d{1,2})?)\s*(?:m|min|mins|min\.|minutes?|['’′])?)?"
)
_Conversion = tuple[str, Callable[[float], float]]
_INCHES: _Conversion = ("inches", lambda x: x * 25.4)
_FAHRENHEIT: _Conversion = ("degrees Fahrenheit", lambda x: (x - 32) / 1.8)
_KG_M3: _Conversion = ("kg/m³", lambda x: x / 1000)
OTHER_UNITS: Mapping[str, Mapping[str, _Conversion]] = {
    "mm": {
        **dict.fromkeys(("in", "inch", "inches", '"', "''", "″"), _INCHES),
        **dict.fromkeys(("thou", "mil", "mils"), ("thousandths of an inch", lambda x: x * 0.0254)),
        "cm": ("centimetres", lambda x: x * 10),
        "1/100 mm": ("hundredths of a millimetre", lambda x: x / 100),
        "µm": ("micrometres", lambda x: x / 1000),
    },
    "°C": dict.fromkeys(("f", "°f", "ºf", "° f"), _FAHRENHEIT),
    "g/cm³": dict.fromkeys(("kg/m3", "kg/m³"), _KG_M3),
    "g": {"mg": ("milligrams", lambda x: x / 1000)},
    "%": {"of 1": ("fractions of one", lambda x: x * 100)},
    "min": {
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), ("hours", lambda x: x * 60)),
        **dict.fromkeys(("s", "sec", "secs", "seconds"), ("seconds", lambda x: x / 60)),
    },
}
"""What people write instead of a column's unit, and how to convert it."""

_STAND_FOR: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("€", "euro", "euros"), ("eur",)),
    "$": ("usd", "cad", "aud", "nzd"),
    "£": ("gbp",),
    "¥": ("jpy", "cny"),
    **dict.fromkeys(("fr", "sfr"), ("chf",)),
}
_CURRENCIES = frozenset(_STAND_FOR) | {code for codes in _STAND_FOR.values() for code in codes}

_NUMERIC_DATE = re.compile(r"(\d{1,4})\s?([./\- ])\s?(\d{1,2})\s?[./\- ]\s?(\d{1,4})\.?")
_SPELLED = re.compile(
    r"(?:(?P<day>\d{1,2})(?:st|nd|rd|th|\.)?[\s\-]+(?P<month>[^\W\d_]{3,12})"
    r"|(?P<first>[^\W\d_]{3,12})\.?\s+(?P<second>\d{1,2})(?:st|nd|rd|th)?)[.,]?[\s\-]+"
    r"(?P<year>\d{4})"
)
_LANGUAGES = (
    "en", "de", "de_AT", "fr", "it", "es", "pt", "nl", "da", "sv", "nb", "fi", "pl", "cs", "hr",
)  # fmt: skip
_TIME_OF_DAY = re.compile(
    r"[T ](\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*(?:Z|[+-]\d{2}:?\d{2})?$"
)
_SERIAL = re.compile(r"(2\d{4}|[3-6]\d{4})(\.\d+)?")
FIRST_SERIAL = pd.Timestamp("1899-12-30")
DAYS = (pd.Timestamp("1950-01-01"), pd.Timestamp("2100-12-31"))
_YES = ("yes", "y", "true", "1", "x", "✓")
_YES_NO = (*_YES, "no", "n", "false", "0")


class Trouble(Exception):
    """Why a text cannot be read, and what to do about it."""

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(problem, fix)
        self.problem, self.fix = problem, fix


class NotANumber(Trouble):
    """A text that cannot be a number."""

    def __init__(self, fix: str) -> None:
        super().__init__("is not a number", fix)


class OtherUnit(Trouble):
    """A number in another unit than its column's."""


def text_of(value: object) -> str | None:
    """Return a cell's text without outer blanks, or None for an empty cell.

    >>> text_of(" 72.5 "), text_of(12.0), text_of("n/a")
    ('72.5', '12', None)
    """
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = value if isinstance(value, str) else str(value)
    text = text.strip() if text.isascii() else unicodedata.normalize("NFC", text).strip(_BLANKS)
    # The apostrophe that `store.write_table` adds; a line end in a cell may be read as "\n".
    if text[:1] == "'" and text[1:].startswith((*FORMULA, "\n")):
        text = text[1:].strip()
    if len(text) <= 4 and text.casefold() in BLANK:
        return None
    return text


def texts_of(values: Sequence[object]) -> list[str | None]:
    """Return the text of each of many cells, as `text_of` does."""
    if all(isinstance(v, str) and v.isascii() and "'" not in v for v in values):
        texts = [*map(str.strip, values)]  # type: ignore[arg-type]
        if BLANK.isdisjoint(map(str.casefold, texts)):
            return list(texts)
    return [*map(text_of, values)]


def unit_of_column(column: Column) -> str:
    """Return the unit of a column's numbers; minutes have theirs by their kind."""
    return "min" if column.kind == "minutes" else column.unit


def without_separators(text: str) -> str:
    """Return a number without the blanks and apostrophes between its thousands."""
    return _SPACES.sub("", text)


def same_currency(one: str, other: str) -> bool:
    """Say whether two words or signs may mean the same currency.

    >>> same_currency("€", "EUR"), same_currency("eur", "EUR"), same_currency("$", "EUR")
    (True, True, False)
    """
    words = (one.strip().casefold().rstrip("."), other.strip().casefold().rstrip("."))
    first, second = ({*_STAND_FOR.get(word, (word,))} for word in words)
    return bool(first & second)


def is_currency(word: str) -> bool:
    """Say whether a word or sign is that of a currency."""
    return word.strip().casefold().rstrip(".") in _CURRENCIES


def read_number(text: str, column: Column, settings: Settings, comma: bool | None) -> float:
    """Read a number with its unit, thousands separators or decimal comma.

    `comma` says whether the table's numbers have decimal commas, see `decimal_comma`. Another unit
    than the column's is refused, not converted.

    >>> from reedlab.records.tables import TABLES
    >>> read_number("72,5 mm", TABLES["reeds"].columns["tied_mm"], Settings(), True)
    72.5
    """
    if _SPREADSHEET_ERROR.fullmatch(text):
        raise Trouble("is a formula error", "fix the formula, or empty the cell")
    if column.kind == "money":
        text = _WHOLE_MONEY.sub("", text)
    match = _NUMBER.fullmatch(text)
    if match is None or not any(map(str.isdigit, match["number"])):
        raise NotANumber("write digits only, or empty the cell")
    before, digits, unit = match["before"].strip(), match["number"], match["unit"].strip()
    if unit.startswith("/"):
        raise NotANumber("write the one number that you mean, with decimals")
    value = _digits(_together(digits.strip(), comma), comma)
    signs = {unit.casefold().rstrip("."), before.casefold()} - {""}
    if column.kind == "money":
        signs = {sign for sign in signs if not same_currency(sign, settings.currency)}
        if signs & _CURRENCIES:
            name = settings.currency
            instead = "or name your currency under [costs] in bench.toml"
            raise Trouble(f"is not in {name}", f"write the price in {name}, {instead}")
    own_unit = unit_of_column(column)
    own = UNIT_SPELLINGS.get(own_unit, ())
    signs = {sign for sign in signs if sign.replace(" ", "") not in own}
    if not signs:
        return value
    if before == "" and (other := OTHER_UNITS.get(own_unit, {}).get(unit.casefold())):
        name, convert = other
        raise OtherUnit(f"is in {name}", f"write {convert(value):.4g} ({own_unit})")
    if any(map(str.isdigit, "".join(signs))):  # 72-73 without -73 would be another number
        raise NotANumber("write the one number that you mean")
    unit_says = f" without {' '.join(sorted(signs))}" if len(text) < 40 else ""
    in_unit = f", in {own_unit}," if own_unit else ""
    raise Trouble(
        "is not a plain number", f"write the number alone{in_unit}{unit_says}".rstrip(",")
    )


def _together(digits: str, comma: bool | None) -> str:
    """Return a number without the separators of its thousands; no other blank may be left out."""
    if not _SPACES.search(digits) or _THOUSANDS.fullmatch(digits):
        return without_separators(digits)
    if two := _TWO_PARTS.fullmatch(digits):
        part, whole = f"{two[1]}{',' if comma else '.'}{two[2]}", two[1] + two[2]
        raise Trouble(f"could be {part} or {whole}", f"write {part} or {whole}")
    raise NotANumber("write one number, without blanks")


def _digits(digits: str, comma: bool | None) -> float:
    """Read digits whose points and commas may separate thousands or decimals."""
    # Three digits after a single separator: 1.234 or 1,234 may be 1.234 or 1234.
    if two := TWO_READINGS.fullmatch(digits):
        if two[1] == "." and comma is False:
            return float(digits)
        if two[1] == "." or comma is None:
            part, whole = digits.replace(",", "."), re.sub("[.,]", "", digits)
            # Offer the decimal sign that this table reads as one.
            clear = f"{float(part):g}"
            clear += "0" * (len(clear) == len(part))  # four decimals have one reading everywhere
            clear = clear.replace(".", "," if comma else ".")
            raise Trouble(
                f"could be {part} or {whole}",
                f"write {clear} or {whole}, and whole numbers without a separator",
            )
        return float(digits.replace(",", "." if comma else ""))
    if COMMA_DECIMAL.fullmatch(digits):  # 1.234,50 or 0,58 or 1.234.567
        return float(digits.replace(".", "").replace(",", "."))
    if re.fullmatch(r"[+-]?(\d*|\d{1,3}(,\d{3})+)(\.\d+)?", digits):  # 1,234.50, 0.58 or .58
        return float(digits.replace(",", ""))
    raise NotANumber("write digits with one decimal point, such as 0.58")


def read_minutes(
    text: str, column: Column, settings: Settings, comma: bool | None, decimals: bool = False
) -> float:
    """Read minutes written 35, 0:35 (hours and minutes), 35 min or 1 h 5 min.

    1.30 may be an hour and a half, unless the column has `decimals`.

    >>> from reedlab.records.tables import TABLES
    >>> read_minutes("1 h 5 min", TABLES["reeds"].columns["rough_min"], Settings(), None)
    65.0
    """
    if clock := _CLOCK.fullmatch(text):
        hours, minutes, seconds = (float(part or 0) for part in clock.groups())
        return hours * 60 + minutes + seconds / 60
    if not decimals and HOURS_OR_DECIMALS.fullmatch(text):
        clock_says = re.sub("[.,]", ":", text)
        raise Trouble(
            "could be a decimal number, or hours and minutes",
            f"write {text} min, or {clock_says} for hours and minutes",
        )
    if two := _TWO_TIMES.fullmatch(text):
        first, mark, second = two.groups()
        meant = f"{first} min {second} s" if mark else f"{first} h {second} min"
        clock_says = f"0:{first}:{second}" if mark else f"{first}:{second}"
        raise Trouble(
            f"could be {meant} or {first}{second} min", f"write {clock_says} or {first}{second}"
        )
    if (spell := _MINUTES.fullmatch(text.casefold())) and any(spell.groups()):
        hours, minutes = (float((part or "0").replace(",", ".")) for part in spell.groups())
        return hours * 60 + minutes
    try:
        return read_number(text, column, settings, comma)
    except NotANumber as trouble:
        raise Trouble(
            "is not a time in minutes", "write the minutes, such as 20, 0:20 or 20 min"
        ) from trouble


def read_date(
    text: str,
    order: str | None,
    year_first: bool | None = None,
    first_serial: pd.Timestamp = FIRST_SERIAL,
) -> pd.Timestamp:
    """Read a date that can mean only one day: ISO, a serial number, a month in letters or digits.

    `order` ("day-month" or "month-day") is for dates such as 03/04/2025, `year_first` for such as
    24-03-05 (see `column_forms.year_first`). A time of day may follow.

    >>> str(read_date("5 Mar 2024", None)), str(read_date("03/04/2025", "day-month"))
    ('2024-03-05 00:00:00', '2025-04-03 00:00:00')
    """
    if is_serial(text):
        return first_serial + pd.Timedelta(days=float(text)).round("s")
    clock = _TIME_OF_DAY.search(text)
    day = _day(text[: clock.start()].strip() if clock else text, order, year_first)
    if not DAYS[0] <= day <= DAYS[1]:
        raise Trouble(f"is in the year {day.year}", "fix the year")
    if clock is None:
        return day
    hour, minute, second = (int(part or 0) for part in clock.groups()[:3])
    if hour > 23 or minute > 59 or second > 59:
        raise Trouble("is not a valid time", "write a time such as 2024-03-05 14:30")
    return day + pd.Timedelta(hours=hour, minutes=minute, seconds=second)


def is_serial(text: str) -> bool:
    """Say whether a text is a number of days, as spreadsheets count them."""
    return _SERIAL.fullmatch(text) is not None


@cache
def _months() -> dict[str, int]:
    """Return the names of months, whole and abbreviated, that mean one month in every language."""
    from babel import Locale

    meant: dict[str, set[int]] = {}
    for language in _LANGUAGES:
        for forms in Locale.parse(language).months.values():
            for month, name in [*forms["wide"].items(), *forms["abbreviated"].items()]:
                meant.setdefault(name.casefold().rstrip("."), set()).add(month)
    return {name: month for name, (month, *others) in meant.items() if not others}


def month_called(name: str) -> int | None:
    """Return the number of a month from its name, whole or abbreviated, in a known language.

    >>> month_called("März"), month_called("sept"), month_called("Marble")
    (3, 9, None)
    """
    return _months().get(name.casefold().rstrip("."))


def _day(text: str, order: str | None, year_first: bool | None) -> pd.Timestamp:
    """Read a day whose month is in letters, then one in digits alone."""
    if spelled := _SPELLED.fullmatch(text.casefold()):
        groups = spelled.groupdict()
        if month := month_called(groups["month"] or groups["first"]):
            day = int(groups["day"] or groups["second"])
            return _calendar(int(groups["year"]), month, day)
    match = _NUMERIC_DATE.fullmatch(text)
    if match is None:
        raise Trouble("is not a date", "write it as 2024-03-05")
    first, _, second, last = match.groups()
    if len(first) == 4 and len(last) <= 2:  # year first
        return _calendar(int(first), int(second), int(last))
    if len(first) > 2 or len(last) not in (2, 4):
        raise Trouble("is not a date", "write it as 2024-03-05")
    days = days_meant(text, order, year_first)
    if not days:
        raise Trouble("is not a valid date", "check the day")
    if len(days) == 1:
        return days[0]
    *others, last_day = (f"{day:%Y-%m-%d}" for day in days)
    problem = f"could be {', '.join(others)} or {last_day}"
    if len({day.year for day in days}) > 1:
        raise Trouble(problem, "write the year with four digits")
    raise Trouble(problem, 'put date_order = "day-month" (or "month-day") into bench.toml')


def days_meant(text: str, order: str | None, year_first: bool | None) -> list[pd.Timestamp]:
    """Return the days that a date in digits can mean; its year comes last, or has two digits.

    >>> [str(day.date()) for day in days_meant("24-03-05", "day-month", None)]
    ['2024-03-05', '2005-03-24']
    """
    match = _NUMERIC_DATE.fullmatch(text)
    if match is None or len(match[1]) > 2 or len(match[4]) not in (2, 4):
        return []
    one, two, last = int(match[1]), int(match[3]), int(match[4])
    year = _century(last) if len(match[4]) == 2 else last
    readings = [] if order == "month-day" else [(year, two, one)]
    readings += [] if order == "day-month" else [(year, one, two)]
    # Years of two digits come first only between hyphens or blanks, as in ISO 8601's short form.
    if len(match[1]) == len(match[4]) == 2 and match[2] in "- " and year_first is not False:
        readings = [(_century(one), two, last)] + ([] if year_first else readings)
    days = []
    for reading in readings:
        with contextlib.suppress(ValueError):
            days.append(pd.Timestamp(*reading))
    return list(dict.fromkeys(days))


def _century(year: int) -> int:
    """Return a year of two digits in full, as POSIX reads it: 69 to 99 are of 1900."""
    return year + (1900 if year > 68 else 2000)


def _calendar(year: int, month: int, day: int) -> pd.Timestamp:
    try:
        return pd.Timestamp(year, month, day)
    except ValueError as error:
        raise Trouble("is not a valid date", "check the day") from error


def read_word(text: str, column: Column, own: Mapping[str, str]) -> object:
    """Read a word of the column's vocabulary, in any case, or the maker's own for it.

    A ``yesno`` becomes a bool. Of another word the trouble offers the nearest.

    >>> from reedlab.records.tables import TABLES
    >>> read_word("Given up", TABLES["reeds"].columns["outcome"], {})
    'given_up'
    """
    words = column.words or _YES_NO
    own_folded = {_folded(k): v for k, v in own.items()}
    spelled = {_folded(w): w for w in words}
    word = own_folded.get(_folded(text)) or spelled.get(_folded(text), _folded(text))
    if column.kind == "yesno" and word in _YES_NO:
        return word in _YES
    if word in words and column.kind != "yesno":
        return word
    if column.name == "outcome" and is_in_words(text):
        raise Trouble("is a whole batch in one cell", IN_COLUMNS)
    known = [*words, *own] if column.kind == "word" else ["yes", "no"]
    # "unplayable" and "no good" are near their opposites.
    without = [word for word in known if _folded(word) not in _folded(text)[1:]]
    near = difflib.get_close_matches(_folded(text)[:40], without, 1, 0.7)
    known_says = ", ".join(known)
    raise Trouble(
        f"is not one of {known_says}",
        f"write {near[0]}, if you mean that"
        if near
        else f"use one of {known_says}, or map your "
        f"own word to one of them under [words.{column.name}] in bench.toml",
    )


def _folded(text: str) -> str:
    return re.sub(r"[\s\-]+", "_", text.strip().casefold())
