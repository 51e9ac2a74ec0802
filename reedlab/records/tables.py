"""The one declaration of a bench's tables: columns, units, vocabularies and ranges.

The schema of typed frames, the headings and drop-downs of a new workbook, the checks and the data
dictionary derive from `TABLES`.

Ranges are common practice without a published source, and makers differ: a value outside `likely`
gets a warning, and ``bench.toml`` can change the limits. Only a value outside `possible`, which no
oboe reed has, is an error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from typing import Literal

import numpy as np
import pandas as pd

Kind = Literal[
    "name", "text", "word", "number", "count", "money", "minutes", "date", "time", "yesno"
]
NUMBERS: tuple[Kind, ...] = ("number", "count", "money", "minutes")
"""The kinds whose values are numbers."""

Range = tuple[float, float]
Likely = Range | Mapping[str, Range]

UNITS: Mapping[str, str] = MappingProxyType(
    {
        "_g_cm3": "g/cm³",
        "_mm3": "mm³",
        "_mm": "mm",
        "_min": "min",
        "_pct": "%",
        "_c": "°C",
        "_g": "g",
    }
)
"""The ending of a column's name and its unit, the longest ending first."""

UNIT_SPELLINGS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "g/cm³": ("g/cm³", "g/cm3", "g/ml", "g/cc"),
        "mm³": ("mm³", "mm3"),
        "mm": ("mm",),
        "min": ("min", "mins", "minutes"),
        "%": ("%", "pct", "percent", "%rh"),
        "°C": ("°c", "ºc", "c"),
        "g": ("g", "gr", "gram", "grams"),
    }
)
"""How people write each unit, in small letters and without blanks."""

UNFINISHED = ("given_up", "broken")
"""Outcomes of a reed that was never finished."""
UNSALEABLE = (*UNFINISHED, "reject")
"""Outcomes of a reed that nobody can buy."""
OUTCOMES = (*UNSALEABLE, "playable", "good")

PENDING_COUNT, TIED_COUNT = "pending_count", "tied_count"
COUNTED = {f"{outcome}_count": outcome for outcome in OUTCOMES}
"""Columns of a row that is a whole batch, and the outcome that each counts."""

CARRIED = frozenset(
    {
        "lot", "maker", "supplier", "grower", "form", "quantity_unit", "currency",
        "hardness_class", "harvest_year", "nominal_gouge_mm", "diameter_min_mm", "diameter_max_mm",
        "bought_on", "tied_on", "rough_on", "finished_on", "judged_on", "measured_on", "date",
        "style", "shape", "shape_width_mm", "staple", "staple_mm", "thread", "soak_min", "gouger",
        "tied_mm", "rh_pct", "temp_c", "judge", "tube", "measured_state", "wet",
        "gouge_side_at_mm", "hardness_gauge", "stage", "operator",
    }
)  # fmt: skip
"""Columns that many rows have in common: lot, maker, day, settings. A ditto mark means the cell
above, and the reeds of a batch in one row share them; of any other column a ditto mark is asked."""

FAULTS = (
    "leaks", "closed", "too open", "flat", "sharp", "unsteady", "low notes", "too hard", "cracked",
    "high notes", "too soft", "thin", "dull", "chipped", "crooked", "chatter", "tying", "other",
)  # fmt: skip
"""What goes wrong, in makers' words; the first nine are the commonest: common practice."""

FAULT_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "leaks": ("leak", "air escapes", "undicht"),
        "closed": ("close", "zu eng", "geschlossen"),
        "too open": ("too open", "open", "zu weit", "zu offen", "offen"),
        "flat": ("flat", "tief", "zu tief"),
        "sharp": ("sharp", "zu hoch"),
        "unsteady": ("unsteady", "unstable", "wobbl", "unruhig", "instabil"),
        "low notes": ("low", "tiefe töne", "tiefe lage"),
        "too hard": ("too hard", "hard", "stiff", "zu hart", "hart", "zu schwer"),
        "cracked": ("crack", "split", "gerissen", "gesprungen", "riss"),
        "high notes": ("high", "hohe töne", "hohe lage"),
        "too soft": ("too soft", "soft", "weak", "zu leicht", "weich", "zu weich"),
        "thin": ("thin", "buzz", "dünn", "schnarr"),
        "dull": ("dull", "dead", "dumpf", "matt"),
        "chipped": ("chip", "corner", "torn", "ecke", "ausgebrochen"),
        "crooked": ("crooked", "slip", "warp", "bent", "bow", "schief", "verzogen", "krumm"),
        "chatter": ("chatter", "ratter"),
        "tying": ("tying", "tied", "thread", "bindung", "faden", "wickl"),
    }
)
"""How words of a maker's own begin that mean one of `FAULTS`, in small letters."""

RETURN_RESULTS = ("adjusted", "replaced", "refunded", "worn_out")

STRENGTHS = ("soft", "medium_soft", "medium", "medium_hard", "hard")
"""How hard a finished reed blows, the first word of an order."""

STAGES_BEFORE_TYING = ("split", "sort", "gouge", "shape", "fold")
STAGES_BEFORE_FINISHING = ("tie", "rough", "dry", "clip")
"""Stages of a reed: one lost there was never finished."""
STAGES_OF_A_REED = (*STAGES_BEFORE_FINISHING, "finish", "play")


@dataclass(frozen=True)
class Column:
    """What one column holds.

    Attributes
    ----------
    name : str
        The heading, with its unit as the ending.
    kind : str
        How its text is read: a ``name`` labels something (a lot, a maker), a ``word`` is one of
        `words`, a ``count`` is a number that may be written as a sum, ``minutes`` too, or as 0:35,
        a ``time`` is a date with a time of day.
    says : str
        What the column means, for the data dictionary and the comments in a workbook.
    needed : bool
        Whether the table must have the column; all others are optional.
    may_wait : bool
        Whether a needed column's cell may be empty: an outcome until it is known, a lot if the
        piece is given.
    words : tuple of str
        The vocabulary of a ``word``, in order.
    possible : (float, float) or None
        Limits outside which a value cannot be used.
    likely : (float, float), mapping or None
        Limits of common practice; a mapping gives them for each word of the column `by`.
    by : str
        The column whose word selects the limits in `likely`.
    refers : str
        The table whose key this column holds.
    also : tuple of str
        Other headings that mean nothing else.
    to_the_day : bool
        Whether a date without its day, such as April 2024, is of no use here.
    ahead : bool
        Whether a day may lie in the future: the day an order is due.
    """

    name: str
    kind: Kind
    says: str
    needed: bool = False
    may_wait: bool = False
    words: tuple[str, ...] = ()
    possible: Range | None = None
    likely: Likely | None = None
    by: str = ""
    refers: str = ""
    also: tuple[str, ...] = ()
    to_the_day: bool = False
    ahead: bool = False

    @property
    def unit(self) -> str:
        """The unit that the name ends in, or an empty string."""
        return unit_of(self.name)

    @property
    def heading(self) -> str:
        """The name for a person: ``tied (mm)``, and ``lot *`` if a row cannot begin without it."""
        unit = f" ({self.unit})" if self.unit else ""
        # A lot may be left to the piece; an outcome is known later.
        starred = self.needed and (not self.may_wait or bool(self.refers))
        return in_words(self.name) + unit + (" *" if starred else "")

    @property
    def dtype(self) -> object:
        """The pandas dtype of the column in typed frames."""
        return _dtype(self.kind, self.words)

    def missing(self, n: int) -> pd.api.extensions.ExtensionArray | np.ndarray:
        """Return `n` empty cells of the column's type."""
        return _empty_cell(self.kind, self.words).take(np.full(n, 0))


_DTYPES: Mapping[str, object] = {
    "name": pd.StringDtype(na_value=float("nan")),
    "text": pd.StringDtype(na_value=float("nan")),
    "number": "float64",
    "count": "float64",
    "money": "float64",
    "minutes": "float64",
    "date": "datetime64[us]",
    "time": "datetime64[us]",
    "yesno": "boolean",
}


@cache
def _dtype(kind: Kind, words: tuple[str, ...]) -> object:
    """Return the pandas dtype of a kind of column."""
    return pd.CategoricalDtype(list(words), ordered=True) if kind == "word" else _DTYPES[kind]


@cache
def _empty_cell(kind: Kind, words: tuple[str, ...]) -> pd.api.extensions.ExtensionArray:
    """Return one empty cell of a kind of column."""
    return pd.Series([None], dtype=_dtype(kind, words)).array


@dataclass(frozen=True)
class Table:
    """One table of a bench."""

    name: str  # the name of the file or sheet
    says: str  # what a row is
    columns: Mapping[str, Column]  # the columns in their order
    key: str = ""  # the column whose values may not repeat, or an empty string

    @property
    def needed(self) -> tuple[str, ...]:
        """The names of the needed columns."""
        return tuple(c.name for c in self.columns.values() if c.needed)

    def empty(self) -> pd.DataFrame:
        """Return a frame without rows, its columns typed."""
        columns = {name: pd.Series(dtype=c.dtype) for name, c in self.columns.items()}
        return pd.DataFrame(columns, index=pd.Index([], dtype="int64", name="row"))


def _table(name: str, says: str, *columns: Column, key: str = "") -> Table:
    return Table(name, says, MappingProxyType({c.name: c for c in columns}), key)


def _size(name: str, says: str, possible: Range, likely: Likely | None, by: str = "") -> Column:
    return Column(name, "number", says, possible=possible, likely=likely, by=by)


_SOME = (0.0, 1e9)  # sums of more would overflow, and no workshop has so much of anything
_BATCH = (0.0, 500.0)  # one row becomes as many reeds
_BEFORE_OR_TIE = (*STAGES_BEFORE_TYING, "tie")
_STYLE = "style"
_RH = Column("rh_pct", "number", "relative humidity", possible=(2, 100), likely=(15, 90))
_TEMP = Column("temp_c", "number", "air temperature", possible=(-20, 55), likely=(5, 35))
_STRENGTH = Column("strength", "word", "how hard it blows", words=STRENGTHS)
_CUSTOMER = Column("customer", "name", "a code for the customer, not a name")
_FAULT = Column("fault", "text", "what was wrong, in the maker's words")
_NOTE = Column("note", "text", "anything else")


_LOTS = _table(
    "lots",
    "a purchase of cane: one supplier, one delivery, kept separate at the bench",
    Column("lot", "name", "the lot's label", needed=True),
    Column("supplier", "name", "who sold it", needed=True),
    Column("grower", "name", "who grew it, or where"),
    Column("bought_on", "date", "the day it was bought"),
    Column("harvest_year", "number", "the year it was cut", possible=(1950, 2100)),
    Column("form", "word", "how it came", words=("tube", "split", "gouged", "shaped")),
    Column("quantity", "count", "how much of it", possible=_SOME),
    Column("quantity_unit", "word", "what the quantity counts", words=("piece", "tube", "g", "kg")),
    Column("price", "money", "what was paid for the whole lot", possible=_SOME),
    Column(
        "price_per_piece",
        "money",
        "what one piece cost, a tube being three; instead of price and quantity",
        possible=_SOME,
    ),
    Column(
        "price_per_kg",
        "money",
        "what one kilogram cost; instead of price, where the quantity is a weight",
        possible=_SOME,
    ),
    Column("freight", "money", "postage and duty for the whole lot", possible=_SOME),
    Column("currency", "name", "the currency of price and freight"),
    _size("diameter_min_mm", "least outside diameter as sold", (5, 25), (9, 12)),
    _size("diameter_max_mm", "greatest outside diameter as sold", (5, 25), (9, 12)),
    _size("nominal_gouge_mm", "centre thickness as sold", (0.2, 1.5), (0.55, 0.63)),
    Column("hardness_class", "name", "the seller's word for hardness"),
    _NOTE,
    key="lot",
)

_REEDS = _table(
    "reeds",
    "a piece of cane tied on a staple, and how it turned out",
    Column("reed", "name", "the reed's label", needed=True),
    Column("lot", "name", "the lot it came from", needed=True, may_wait=True, refers="lots"),
    Column("piece", "name", "the measured piece it was made from", refers="pieces"),
    Column("maker", "name", "who made it; one maker if it is empty everywhere"),
    Column("tied_on", "date", "the day it was tied", needed=True),
    Column(
        "outcome",
        "word",
        "how it turned out; leave it empty until that is known",
        needed=True,
        may_wait=True,
        words=OUTCOMES,
    ),
    Column("style", "word", "the scrape", words=("long", "short")),
    Column("shape", "name", "the shaper tip"),
    _size("shape_width_mm", "width of the shape at its widest", (3, 12), (6, 8)),
    Column("staple", "name", "the staple's make or code"),
    _size("staple_mm", "length of the staple", (30, 60), (45, 48)),
    Column("thread", "name", "the thread"),
    Column("soak_min", "minutes", "soaking before tying", possible=(0, 10080)),
    Column("gouger", "name", "the gouger's set-up"),
    _size("tied_mm", "length tied", (50, 100), {"long": (71, 74), "short": (73, 76)}, _STYLE),
    Column("rough_on", "date", "the day of the rough scrape"),
    _size("rough_tip_from_end_mm", "how far the tip was roughed back", (0, 30), (3, 8)),
    _size("rough_heart_from_end_mm", "where the heart ends, from the end", (0, 40), (7, 14)),
    _size("rough_back_from_thread_mm", "where the back stops, from the thread", (0, 40), (1, 8)),
    _size("tip_thickness_mm", "thickness of the tip", (0.01, 0.8), (0.02, 0.25)),
    _size("heart_thickness_mm", "thickness of the heart", (0.05, 1.5), (0.2, 0.8)),
    _size("back_thickness_mm", "thickness of the back", (0.05, 1.5), (0.2, 0.8)),
    Column("rough_min", "minutes", "rough scrape", possible=(0, 1440), likely=(1, 120)),
    Column("finish_min", "minutes", "balancing and finishing", possible=(0, 1440), likely=(1, 180)),
    Column(
        "scrape_min",
        "minutes",
        "rough scrape and finishing together, if they are not timed apart",
        possible=(0, 2880),
        likely=(2, 300),
    ),
    Column("sittings", "count", "how many sittings it took", possible=(0, 100), likely=(1, 10)),
    _RH,
    _TEMP,
    Column("finished_on", "date", "the day it was finished"),
    _size(
        "finished_length_mm",
        "length when finished",
        (50, 100),
        {"long": (69, 71), "short": (71, 73.5)},
        _STYLE,
    ),
    Column("opening", "word", "the opening at the tip", words=("small", "medium", "large")),
    Column("crow", "word", "the pitch of its crow", words=("flat", "on", "sharp")),
    _STRENGTH,
    Column("seals", "yesno", "whether it holds air when the staple is plugged"),
    Column("response", "number", "how readily it speaks, 1 to 5", possible=(1, 5)),
    Column("stability", "number", "how steady its pitch is, 1 to 5", possible=(1, 5)),
    Column("seen_on", "date", "the day it was last seen among the blanks"),
    Column("lost_at", "word", "the stage at which it failed", words=STAGES_OF_A_REED),
    _FAULT,
    Column("grade", "word", "the maker's grade", words=("C", "B", "A")),
    Column("judge", "name", "who judged it"),
    Column("judged_on", "date", "the day it was judged"),
    Column("for_sale", "yesno", "no for a practice reed that is not to be sold"),
    Column("helped", "word", "where a teacher helped", words=("rough", "finish", "both")),
    Column("place", "name", "its place in the drying board"),
    Column("order", "name", "the order it is kept for or was sent with", refers="orders"),
    _CUSTOMER,
    Column("sold_on", "date", "the day it was sold"),
    Column("sold_for", "money", "the price it fetched", possible=_SOME),
    Column("returned_on", "date", "the day a customer brought it back"),
    Column("return_reason", "text", "why it came back"),
    Column("return_result", "word", "what came of the return", words=RETURN_RESULTS),
    Column("retie_of", "name", "the reed whose cane was tied again", refers="reeds"),
    Column(TIED_COUNT, "count", "of a batch in one row: how many were tied", possible=_BATCH),
    *(
        Column(name, "count", f"of a batch in one row: how many are {outcome}", possible=_BATCH)
        for name, outcome in COUNTED.items()
    ),
    Column(PENDING_COUNT, "count", "of a batch in one row: how many wait", possible=_BATCH),
    Column("month_only", "text", "the columns of this row whose month is known, not the day"),
    _NOTE,
    key="reed",
)

_PIECES = _table(
    "pieces",
    "a piece of cane that was measured",
    Column("piece", "name", "the piece's label", needed=True),
    Column("lot", "name", "the lot it came from", needed=True, refers="lots"),
    Column("tube", "name", "the tube it was split from"),
    Column("measured_state", "word", "its state then", words=("split", "gouged", "shaped")),
    Column("wet", "yesno", "whether it had been soaked"),
    _size("diameter_mm", "outside diameter of its tube", (5, 25), (9, 12)),
    _size(
        "length_mm",
        "length",
        (30, 400),
        {"split": (70, 170), "gouged": (70, 80), "shaped": (70, 80)},
        "measured_state",
    ),
    _size("width_mm", "width from edge to edge", (3, 20), (5.5, 10)),
    replace(
        _size("gouge_centre_mm", "thickness on the centre line", (0.2, 1.5), (0.55, 0.63)),
        also=("gouge", "gouge_mm"),
    ),
    _size("gouge_left_mm", "thickness to the left", (0.1, 1.5), (0.36, 0.54)),
    _size("gouge_right_mm", "thickness to the right", (0.1, 1.5), (0.36, 0.54)),
    _size("gouge_side_at_mm", "distance of the side readings from the centre", (0.5, 8), (2, 4.6)),
    _size(
        "mass_g",
        "weight",
        (0.01, 20),
        {"split": (0.3, 6), "gouged": (0.15, 0.28), "shaped": (0.08, 0.28)},
        "measured_state",
    ),
    _size("float_submerged_mm", "length under water when floating upright", (0, 400), None),
    _size("density_g_cm3", "density, where it was measured", (0.1, 1.5), (0.35, 0.75)),
    Column("hardness", "number", "reading of the gauge, in its own scale", possible=_SOME),
    Column("hardness_gauge", "name", "which gauge"),
    Column("straightness", "word", "how straight it is", words=("straight", "slight", "reject")),
    Column("measured_on", "date", "the day it was measured", to_the_day=True),
    _RH,
    _TEMP,
    Column("lost_at", "word", "the stage at which it was lost", words=_BEFORE_OR_TIE),
    _FAULT,
    _NOTE,
    key="piece",
)

_TALLY = _table(
    "tally",
    "a count of pieces into and out of a stage before tying",
    Column("lot", "name", "the lot worked on", needed=True, refers="lots"),
    Column("date", "date", "the day", needed=True),
    Column("maker", "name", "who worked"),
    Column("stage", "word", "the work", needed=True, words=_BEFORE_OR_TIE),
    Column("pieces_in", "count", "pieces that went in", needed=True, possible=_SOME),
    Column("pieces_out", "count", "pieces that were kept", needed=True, possible=_SOME),
    Column("minutes", "minutes", "time for all of them", possible=(0, 1440)),
    Column("reason", "text", "why pieces were passed over"),
)

_SITTINGS = _table(
    "sittings",
    "a batch timed together",
    Column("date", "date", "the day", needed=True, to_the_day=True),
    Column("maker", "name", "who worked"),
    Column("stage", "word", "the work", words=("tie", "rough", "finish")),
    Column("reeds", "text", "the reeds' labels, or how many", needed=True),
    Column("minutes", "minutes", "time for all of them", needed=True, possible=(0, 1440)),
    _RH,
    _TEMP,
)

_AIR = _table(
    "air",
    "a reading of a data logger in the workshop",
    Column("time", "time", "when", needed=True, to_the_day=True),
    replace(_RH, needed=True),
    replace(_TEMP, needed=True),
)

_GAUGE = _table(
    "gauge",
    "one reading of a study of how well measurements repeat",
    Column("piece", "name", "the piece measured", needed=True),
    Column("quantity", "name", "the column it measures, such as gouge_centre_mm", needed=True),
    Column("operator", "name", "who measured", needed=True),
    Column("trial", "name", "which attempt", needed=True),
    Column("value", "number", "the reading", needed=True),
)

_ORDERS = _table(
    "orders",
    "reeds that a customer has asked for",
    Column("order", "name", "the order's label", needed=True),
    Column("reeds", "number", "how many reeds", needed=True, possible=(1, 1000)),
    Column(
        "by",
        "date",
        "the day they must be with the customer",
        needed=True,
        ahead=True,
        to_the_day=True,
    ),
    _CUSTOMER,
    Column("style", "word", "the scrape", words=("long", "short")),
    _STRENGTH,
    Column("staple", "word", "whose staples", words=("mine", "customer")),
    Column("price", "money", "the price of each reed", possible=_SOME),
    Column("sent_on", "date", "the day they were sent; empty while the order is open"),
    Column("every_weeks", "number", "weeks until the same again", possible=(1, 104)),
    _NOTE,
    key="order",
)

TABLES: Mapping[str, Table] = MappingProxyType(
    {t.name: t for t in (_LOTS, _REEDS, _PIECES, _TALLY, _SITTINGS, _AIR, _GAUGE, _ORDERS)}
)
"""Every table by its name."""

OF_ITSELF = ("price", "freight", "currency", "quantity", "quantity_unit")
"""Columns of ``lots`` that a reed may have too: in its row those of the lot begin with `lot_`."""


def _in_reeds() -> dict[str, tuple[str, str]]:
    """Name the columns of pieces and lots as a reed's row has them: its own names come first."""
    names = {}
    for table, its in (("pieces", "piece"), ("lots", "lot")):
        for name in TABLES[table].columns:
            if name not in ("piece", "lot"):
                own = name in TABLES["reeds"].columns or name in OF_ITSELF
                names[f"{its}_{name}" if own else name] = (table, name)
    return names


IN_REEDS: Mapping[str, tuple[str, str]] = MappingProxyType(_in_reeds())
"""Columns of a reed's row that are its piece's or its lot's: the table, and the column there."""

_FROM = {of: name for name, of in IN_REEDS.items()}


def name_in_reeds(table: str, column: str) -> str:
    """Return what a column of pieces or lots is called in a row of reeds.

    Examples
    --------
    >>> name_in_reeds("pieces", "mass_g"), name_in_reeds("pieces", "note")
    ('mass_g', 'piece_note')
    """
    return _FROM.get((table, column), column)


def _one_row() -> Table:
    """Return the table of reeds with the columns of their pieces and lots."""
    more = {
        name: replace(TABLES[table].columns[column], name=name, needed=False)
        for name, (table, column) in IN_REEDS.items()
    }
    return replace(_REEDS, columns=MappingProxyType({**_REEDS.columns, **more}))


SHEETS: Mapping[str, Table] = MappingProxyType({**TABLES, "reeds": _one_row()})
"""What a sheet of each name may hold: one of reeds also what is known of their pieces and lots."""


def in_words(name: str) -> str:
    """Return a column's name in words, without its unit.

    Examples
    --------
    >>> in_words("gouge_centre_mm")
    'gouge centre'
    """
    return stem(name).replace("_", " ")


def stem(name: str) -> str:
    """Return a column's name without its unit."""
    return name.removesuffix(next((end for end in UNITS if name.endswith(end)), ""))


def unit_of(name: str) -> str:
    """Return the unit that a column's name ends in, or an empty string."""
    return UNITS.get(name.removeprefix(stem(name)), "")


def dictionary() -> pd.DataFrame:
    """Return the data dictionary: one row a column of every table.

    Returns
    -------
    pandas.DataFrame
        Columns ``table``, ``column``, ``unit``, ``needed``, ``says`` and ``words``.

    Examples
    --------
    >>> words = dictionary().set_index(["table", "column"])["words"]
    >>> words["reeds", "outcome"]
    'given_up, broken, reject, playable, good'
    """
    rows = [
        (table.name, c.name, c.unit, c.needed, c.says, ", ".join(c.words))
        for table in TABLES.values()
        for c in table.columns.values()
    ]
    return pd.DataFrame(rows, columns=["table", "column", "unit", "needed", "says", "words"])
