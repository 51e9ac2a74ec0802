"""Why the first page gives the advice that it does: what each line is worth, what was left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from reedlab.decide.adviser import Place, weigh
from reedlab.decide.answer import Answer, RecordNext

_MISSING = "The question cannot be answered before this is noted, so it comes first."
_UNKNOWN = "What it is worth in a year is not known."


@dataclass(frozen=True)
class Line:
    """A piece of advice: what to do, for which question, its worth, and why it is left out."""

    what: str
    question: str
    worth: str
    left_out: str


def weighed(answers: Mapping[str, Answer], wage_per_hour: float) -> tuple[Line, ...]:
    """Say of every piece of advice what it is worth and how that was found.

    The answers are by their question, in the words of the first page. Lines on the first page come
    first; ``left_out`` is empty for them. What two questions ask for in the same words is there
    once.
    """
    names = {id(answer): name for name, answer in answers.items()}
    every = weigh(answers.values(), wage_per_hour)
    said = {one.say.what for one in every if one.place is Place.SAID}
    lines = [
        Line(
            one.say.what,
            names[id(one.answer)],
            _MISSING if one.answer.unanswered else _worth(one.say),
            ""
            if one.place is Place.SAID
            else f"{one.place.value[:1].upper()}{one.place.value[1:]}.",
        )
        for one in every
        if one.place is Place.SAID or one.say.what not in said  # not what is said already
    ]
    return tuple(sorted(lines, key=lambda line: bool(line.left_out)))


def _worth(say: RecordNext) -> str:
    if say.worth is None:
        return _UNKNOWN
    much = f"up to about {say.worth:.0f}" if say.worth >= 0.5 else "less than 1"
    return f"Worth {much} {say.unit} a year: {say.how[:1].lower()}{say.how[1:]}"
