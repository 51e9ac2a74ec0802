"""One adviser: what to record or do next, from all answers together.

Each answer says what would help it. Taken together that repeats itself and contradicts itself: one
answer asks for more measuring, another has found that measuring does not pay. Here it becomes at
most three lines that agree, the most valuable first, and no page gives advice beyond them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from reedlab.decide.answer import About, Answer, RecordNext

MOST = 3
"""Lines of advice."""


class Place(Enum):
    """What became of a piece of advice, and why."""

    SAID = "among the first three"
    SETTLED = "another question has settled it: there is nothing more to do about this"
    SAME = "other advice on the same thing is worth at least as much"
    LESS = "three others are worth at least as much"
    ENOUGH = "it asks for nothing more than you do now"


@dataclass(frozen=True)
class Weighed:
    """A piece of advice beside the others.

    Attributes
    ----------
    say : RecordNext
    answer : Answer
        The one that it would help.
    place : Place
    """

    say: RecordNext
    answer: Answer
    place: Place


def advise(answers: Iterable[Answer], wage_per_hour: float) -> tuple[RecordNext, ...]:
    """Say what to record or do next: at most `MOST` of `weigh`, the most valuable first.

    Examples
    --------
    >>> from reedlab.decide.losses_by_stage import Losses
    >>> say = RecordNext("Note at which stage each reed was lost.", about=About.STAGES)
    >>> [line.what for line in advise([Losses(record_next=say), Losses(record_next=say)], 20.0)]
    ['Note at which stage each reed was lost.']
    """
    found = weigh(answers, wage_per_hour)
    return tuple(one.say for one in found if one.place is Place.SAID)


def weigh(answers: Iterable[Answer], wage_per_hour: float) -> tuple[Weighed, ...]:
    """Weigh all advice, and say of each piece why it is given or left out.

    What an answer is missing altogether comes first, since nothing else is known before; then what
    is worth most (minutes at the wage), then what has no worth that is known; what asks for nothing
    more comes last. Of two pieces of advice on the same thing the first stays, and none is given on
    a thing that an answer has settled: that there is nothing more to do about it.
    """
    asked = [(a.record_next, a) for a in answers if a.record_next is not None]
    settled = {say.about for say, _ in asked if not say.more and say.about is not None}
    asked.sort(
        key=lambda one: (not one[0].more, not one[1].unanswered, -_money(one[0], wage_per_hour))
    )
    said: set[About | str] = set()
    found = []
    for say, answer in asked:
        place = Place.SAID
        if not say.more:
            place = Place.ENOUGH
        elif say.about in settled and not answer.unanswered:
            place = Place.SETTLED
        elif (say.about or say.what) in said:
            place = Place.SAME
        elif len(said) == MOST:
            place = Place.LESS
        else:
            said.add(say.about or say.what)
        found.append(Weighed(say, answer, place))
    return tuple(found)


def _money(say: RecordNext, wage_per_hour: float) -> float:
    """Worth in money; what has none that is known comes after what has some."""
    if say.worth is None:
        return 0.0
    return say.worth * wage_per_hour / 60 if say.unit == "minutes" else say.worth
