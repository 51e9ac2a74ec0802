"""One adviser: what to record or do next, from all answers together.

Each answer says what would help it. Taken together that repeats itself and contradicts itself: one
answer asks for more measuring, another has found that measuring does not pay. Here it becomes at
most three lines that agree, the most valuable first, and no page gives advice beyond them.
"""

from __future__ import annotations

from collections.abc import Iterable

from reedlab.decide.answer import About, Answer, RecordNext

MOST = 3
"""Lines of advice."""


def advise(answers: Iterable[Answer], wage_per_hour: float) -> tuple[RecordNext, ...]:
    """Say what to record or do next.

    What an answer is missing altogether comes first, since nothing else is known before; then what
    is worth most (minutes at the wage), then what has no worth that is known. Of two pieces of
    advice on the same thing the first stays, and none is given on a thing that an answer has
    settled: that there is nothing more to do about it.

    Parameters
    ----------
    answers : iterable of Answer
        All that were asked.
    wage_per_hour : float
        What an hour counts.

    Returns
    -------
    tuple of RecordNext
        At most `MOST`; empty where there is nothing to say.

    Examples
    --------
    >>> from reedlab.decide.losses_by_stage import Losses
    >>> say = RecordNext("Note at which stage each reed was lost.", about=About.STAGES)
    >>> [line.what for line in advise([Losses(record_next=say), Losses(record_next=say)], 20.0)]
    ['Note at which stage each reed was lost.']
    """
    asked = [(bool(a.unanswered), a.record_next) for a in answers if a.record_next is not None]
    settled = {say.about for _, say in asked if not say.more and say.about is not None}
    open_ = [
        (missing, say)
        for missing, say in asked
        if say.more and (missing or say.about not in settled)
    ]
    open_.sort(key=lambda one: (not one[0], -_money(one[1], wage_per_hour)))
    lines: dict[About | str, RecordNext] = {}
    for _, say in open_:
        lines.setdefault(say.about or say.what, say)
    return tuple(lines.values())[:MOST]


def _money(say: RecordNext, wage_per_hour: float) -> float:
    """Worth in money; what has none that is known comes after what has some."""
    if say.worth is None:
        return 0.0
    return say.worth * wage_per_hour / 60 if say.unit == "minutes" else say.worth
