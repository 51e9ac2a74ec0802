"""What every answer has: a verdict, claims, a sentence, frames, notes, and what to record next.

A question of `reedlab.decide` takes a bench and returns a frozen `Answer`. Where the records cannot
answer it, the question raises `CannotAnswer` inside and hands back the same kind of answer, its
frames empty but with their columns, that says why and what to record. Errors stay for what is
wrong: a column that is not there, a level outside 0 to 1.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from enum import Enum
from functools import wraps
from html import escape
from typing import Any, ClassVar, ParamSpec, Self, TypeVar

import pandas as pd

from reedlab.errors import DecisionError

P = ParamSpec("P")
A = TypeVar("A", bound="Answer")


class Verdict(Enum):
    """How sure an answer is."""

    SURE = "sure"
    LIKELY = "likely"
    CANNOT_SAY = "cannot say"
    DESCRIBES = "describes"  # counts and descriptions, which claim nothing


CLAIMS = ("statement", "probability", "grade", "size", "matters")
"""Columns of `Answer.claims`."""


def claims_frame(rows: Sequence[tuple[str, float, Verdict, float, bool]] = ()) -> pd.DataFrame:
    """Return claims as a frame, the one that decides first.

    Parameters
    ----------
    rows : sequence of tuple
        statement, probability (0 to 1), grade (a `Verdict`), size (in the statement's own unit),
        matters (whether the size is beyond the smallest that matters).

    Examples
    --------
    >>> claims_frame([("ochre is the cheapest", 0.93, Verdict.SURE, 2.5, True)])["grade"].item()
    <Verdict.SURE: 'sure'>
    """
    return pd.DataFrame(list(rows), columns=list(CLAIMS))


@dataclass(frozen=True)
class RecordNext:
    """What to record or do next, and what that is worth.

    Parameters
    ----------
    what : str
        A sentence in the imperative.
    worth : float, optional
        Its worth a year, in `unit`, where that can be had.
    unit : str
        A currency, or ``"minutes"``.
    """

    what: str
    worth: float | None = None
    unit: str = ""


class CannotAnswer(DecisionError):
    """The records cannot answer a question; caught by `question` and turned into an answer.

    Parameters
    ----------
    reason : str
        One sentence.
    record_next : RecordNext, optional
        What to record, so that the question can be answered.
    """

    def __init__(self, reason: str, record_next: RecordNext | None = None) -> None:
        super().__init__(reason)
        self.record_next = record_next


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The answer to one question.

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
    """

    table: pd.DataFrame
    level: float = 0.9
    claims: pd.DataFrame = field(default_factory=claims_frame, repr=False)
    notes: tuple[str, ...] = ()
    record_next: RecordNext | None = None
    unanswered: str = ""

    COLUMNS: ClassVar[dict[str, tuple[str, ...]]] = {}
    """The columns of each frame by its field's name, for an answer that cannot be given."""

    @classmethod
    def without(cls, reason: str, record_next: RecordNext | None, **known: Any) -> Self:
        """Return an answer that cannot be given: frames empty, the reason said.

        Parameters
        ----------
        reason : str
            One sentence.
        record_next : RecordNext or None
            What to record.
        **known
            Other fields, such as ``level``.
        """
        frames = {name: pd.DataFrame(columns=list(names)) for name, names in cls.COLUMNS.items()}
        return cls(**{**frames, **known, "unanswered": reason, "record_next": record_next})

    @property
    def verdict(self) -> Verdict:
        """How sure the answer is: the grade of the claim that decides."""
        if self.unanswered:
            return Verdict.CANNOT_SAY
        if self.claims.empty:
            return Verdict.DESCRIBES
        return Verdict(self.claims["grade"].iloc[0])

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every frame of the answer by its name, ``table`` first."""
        values = ((f.name, getattr(self, f.name)) for f in fields(self))
        return {name: value for name, value in values if isinstance(value, pd.DataFrame)}

    def sentence(self) -> str:
        """Answer the question in a sentence or two, or say why the records cannot."""
        return self.unanswered or self._sentence()

    @abstractmethod
    def _sentence(self) -> str:
        """Answer the question where the records can."""

    def _repr_html_(self) -> str:
        table = "" if self.table.empty else self.table.to_html(index=False, border=0)
        return f"<p>{escape(self.sentence())}</p>{table}"


def question(kind: type[A]) -> Callable[[Callable[P, A]], Callable[P, A]]:
    """Turn `CannotAnswer`, raised inside a question, into an answer of its kind that says so.

    Parameters
    ----------
    kind : type
        The `Answer` that the question returns.
    """

    def wrap(ask: Callable[P, A]) -> Callable[P, A]:
        @wraps(ask)
        def asked(*args: P.args, **options: P.kwargs) -> A:
            try:
                return ask(*args, **options)
            except CannotAnswer as reason:
                level = {"level": options["level"]} if "level" in options else {}
                return kind.without(str(reason), reason.record_next, **level)

        return asked

    return wrap
