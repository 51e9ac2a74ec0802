"""What every answer has: a verdict, claims, a sentence, frames, notes, and what to record next.

A question of `reedlab.decide` takes a bench and returns a frozen `Answer`. Where the records cannot
answer it, the question raises `CannotAnswer` inside, and `question` turns that into the same kind
of answer: it says why and what to record, and its frames are empty but have their columns. Errors
stay for what is wrong: a column that does not exist, a level outside 0 to 1.
"""

from __future__ import annotations

import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, fields
from enum import Enum
from functools import partial, wraps
from html import escape
from typing import Any, ParamSpec, TypeVar

import pandas as pd

from reedlab.decide.draws import amount
from reedlab.errors import ConvergenceWarning, DecisionError, SeparationWarning
from reedlab.records.bench import Bench

P = ParamSpec("P")
A = TypeVar("A", bound="Answer")


class Verdict(Enum):
    """How sure an answer is, the surest first."""

    SURE = "sure"
    LIKELY = "likely"
    CANNOT_SAY = "cannot say"
    DESCRIBES = "describes"  # counts and descriptions, which claim nothing


SURE_FROM = 0.9
"""Probability from which on a statement that matters is sure."""
LIKELY_FROM = 2 / 3
"""Probability from which on a statement that matters is likely."""


def graded(probability: float) -> Verdict:
    """Grade a statement by the probability that it is true and matters.

    Of an effect that is its direction and being beyond the smallest size that matters, see
    `reedlab.decide.matters`; of a choice, being the best of all. Of what is not known (NaN) nothing
    can be said.

    Examples
    --------
    >>> [graded(p).value for p in (0.95, 0.7, 0.6)]
    ['sure', 'likely', 'cannot say']
    """
    if probability >= SURE_FROM:
        return Verdict.SURE
    return Verdict.LIKELY if probability >= LIKELY_FROM else Verdict.CANNOT_SAY


def weakest(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the least sure of several verdicts.

    Examples
    --------
    >>> weakest([Verdict.SURE, Verdict.LIKELY])
    <Verdict.LIKELY: 'likely'>
    """
    return max(verdicts, key=list(Verdict).index)


CLAIMS = ("statement", "probability", "grade", "size", "matters")
"""Columns of `Answer.claims`."""


def claims_frame(rows: Sequence[tuple[str, float, Verdict, float, bool]] = ()) -> pd.DataFrame:
    """Return claims as a frame, the one that decides first.

    A row has statement, probability (0 to 1), grade, size (in the statement's own unit) and matters
    (whether the size is beyond the smallest that matters).

    Examples
    --------
    >>> claims_frame([("ochre is the cheapest", 0.93, Verdict.SURE, 2.5, True)])["grade"].item()
    <Verdict.SURE: 'sure'>
    """
    return pd.DataFrame(list(rows), columns=list(CLAIMS))


def empty(*columns: str, index: str | None = None) -> Any:
    """Declare a frame of an answer by its columns: what it is where the records cannot answer.

    Parameters
    ----------
    *columns : str
    index : str, optional
        Name of the index, where it has one.

    Returns
    -------
    dataclasses.Field
        For the body of a dataclass: ``slopes: pd.DataFrame = empty("measure", "odds_ratio")``.
    """
    return field(
        default_factory=lambda: pd.DataFrame(
            columns=list(columns), index=pd.Index([], name=index) if index else None
        )
    )


class About(Enum):
    """What a piece of advice is about: two on the same thing would contradict or repeat."""

    CANE = "which cane to buy"
    PRICES = "what cane and reeds cost"
    MINUTES = "minutes at the bench"
    MEASURING = "measuring pieces"
    SIGNS = "signs of a blank"
    STAGES = "where reeds are lost"
    AIR = "the air"
    GOUGER = "the gouger"
    ENDS = "how reeds end"


@dataclass(frozen=True)
class RecordNext:
    """What to record or do next, and what that is worth.

    Parameters
    ----------
    what : str
        A sentence in the imperative.
    worth : float, optional
        Its worth a year, in `unit`, where that is known: what knowing it could be worth at most.
    unit : str
        A currency, or ``"minutes"``.
    about : About, optional
        What it is about.
    more : bool
        Whether it asks for more than is done now; if not, it settles what it is about.
    how : str
        How its worth was found, as a sentence.
    """

    what: str
    worth: float | None = None
    unit: str = ""
    about: About | None = None
    more: bool = True
    how: str = ""

    def __str__(self) -> str:
        if self.worth is None or self.worth < 0.5:
            return self.what
        return f"{self.what} This is worth up to about {self.worth:.0f} {self.unit} a year."


class CannotAnswer(DecisionError):
    """The records cannot answer a question; `question` turns it into an answer that says so.

    Parameters
    ----------
    reason : str
        Why, in one sentence.
    record_next : RecordNext, optional
        What to record, so that the question can be answered.
    """

    def __init__(self, reason: str, record_next: RecordNext | None = None) -> None:
        super().__init__(f"{reason} {record_next.what}" if record_next else reason)
        self.reason, self.record_next = reason, record_next


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Answer(ABC):
    """The answer to one question.

    A kind of answer is a dataclass with the same four options. Each of its fields has a default,
    which holds where the records cannot answer; frames declare their columns with `empty`.

    Attributes
    ----------
    table : pandas.DataFrame
        The answer's main frame; its columns are the concrete answer's.
    level : float
        Of every interval, 0 to 1.
    claims : pandas.DataFrame
        statement, probability, grade (a `Verdict`), size, matters; the first row decides. Empty
        where the answer describes and claims nothing.
    notes : tuple of str
        What was left out, filled in or assumed, sentence by sentence.
    record_next : RecordNext or None
        What to record or do next.
    unanswered : str
        Why the records cannot answer, in a sentence; ``""`` where they do.
    digits : dict of str to int
        Decimals of the columns whose Monte Carlo error decides them, see `draws.places`.
    """

    table: pd.DataFrame = empty()
    level: float = 0.9
    claims: pd.DataFrame = field(default_factory=claims_frame)
    notes: tuple[str, ...] = ()
    record_next: RecordNext | None = None
    unanswered: str = ""
    digits: dict[str, int] = field(default_factory=dict)

    @property
    def verdict(self) -> Verdict:
        """How sure the answer is: the grade of the claim that decides."""
        if self.unanswered:
            return Verdict.CANNOT_SAY
        return Verdict.DESCRIBES if self.claims.empty else Verdict(self.claims["grade"].iloc[0])

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every frame of the answer by its name, ``table`` first; `claims` is apart."""
        values = ((f.name, getattr(self, f.name)) for f in fields(self) if f.name != "claims")
        return {name: value for name, value in values if isinstance(value, pd.DataFrame)}

    def sentence(self) -> str:
        """Answer the question in a sentence or two, or say why the records cannot.

        What to record next is not in it, but where it is all that can be said: pages take that from
        `reedlab.decide.adviser`, which weighs it against the other answers'.
        """
        if not self.unanswered:
            return self._sentence()
        return f"{self.unanswered} {self.record_next or ''}".strip()

    @abstractmethod
    def _sentence(self) -> str:
        """Answer the question where the records can."""

    def __repr__(self) -> str:
        return f"{type(self).__name__} ({self.verdict.value}): {self._with_advice()}"

    def _with_advice(self) -> str:
        advice = "" if self.unanswered else self.record_next
        return f"{self.sentence()} {advice or ''}".strip()

    def _repr_html_(self) -> str:
        looks: dict[str, Any] = {"border": 0, "na_rep": "–", "float_format": "{:,.2f}".format}
        looks["formatters"] = {
            column: partial(amount, decimals=places)
            for column, places in self.digits.items()
            if column in self.table
        }
        named = self.table.index.name is not None
        table = "" if self.table.empty else self.table.to_html(index=named, **looks)
        return f"<p>{escape(self._with_advice())}</p>{table}"


def question(kind: type[A]) -> Callable[[Callable[P, A]], Callable[P, A]]:
    """Refuse what is no bench, and turn `CannotAnswer`, raised inside a question, into an answer.

    The answer's level is the question's ``level``, or that of the answer which the question follows
    up. The question raises DecisionError for something else than a bench, and for a level outside 0
    to 1.
    """

    def wrap(ask: Callable[P, A]) -> Callable[P, A]:
        @wraps(ask)
        def asked(*args: P.args, **options: P.kwargs) -> A:
            from reedlab.mixed.parallel import one_thread

            _refuse(ask.__name__, [*args[:1], options.get("bench")], options.get("level", 0.9))
            try:
                with one_thread(), warnings.catch_warnings():  # fits inside are not asked for
                    for doubt in (SeparationWarning, ConvergenceWarning):
                        warnings.simplefilter("ignore", doubt)
                    return ask(*args, **options)
            except CannotAnswer as refusal:
                level = options.get("level", getattr(args[0] if args else None, "level", None))
                known: dict[str, Any] = {} if level is None else {"level": level}
                known |= {"unanswered": refusal.reason, "record_next": refusal.record_next}
                return kind(**known)

        return asked

    return wrap


def _refuse(name: str, given: list[Any], level: Any) -> None:
    """Raise a DecisionError for what is neither a bench nor an answer, or for such a level."""
    asked_of = next((thing for thing in given if thing is not None), None)
    if asked_of is not None and not isinstance(asked_of, Bench | Answer):
        raise DecisionError(
            f"{name} needs a bench, not {type(asked_of).__name__}: open one with "
            "rl.open_bench('my-bench')."
        )
    if not (isinstance(level, int | float) and 0 < level < 1):
        raise DecisionError(f"level is {level!r}: give a share between 0 and 1, such as 0.9.")
