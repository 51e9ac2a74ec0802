"""One adviser: what several answers ask for becomes a few lines that agree."""

from reedlab.decide.adviser import MOST, Place, advise, weigh
from reedlab.decide.answer import About, RecordNext
from reedlab.decide.losses_by_stage import Losses


def answers(*advice, unanswered=""):
    return [Losses(record_next=say, unanswered=unanswered) for say in advice]


STAGES = RecordNext("Note the stage.", about=About.STAGES)
LOT = RecordNext("Buy a lot.", 11.0, "EUR", About.CANE)
SIGNS = RecordNext("Note the crow.", 60.0, "minutes", About.SIGNS)


def test_the_most_valuable_comes_first_and_minutes_count_at_the_wage():
    # An hour at 20 is worth more than 11, at 10 less.
    assert advise(answers(STAGES, LOT, SIGNS), 20.0) == (SIGNS, LOT, STAGES)
    assert advise(answers(STAGES, LOT, SIGNS), 10.0) == (LOT, SIGNS, STAGES)


def test_what_an_answer_lacks_altogether_comes_before_all_worth():
    minutes = RecordNext("Write the minutes.", about=About.MINUTES)
    found = advise([*answers(LOT), *answers(minutes, unanswered="No minutes.")], 20.0)
    assert found == (minutes, LOT)


def test_one_line_a_subject_and_at_most_three():
    more = RecordNext("Buy two forms.", 3.0, "EUR", About.CANE)
    assert advise(answers(more, LOT), 20.0) == (LOT,)
    many = [RecordNext(f"Do {i}.", float(i), "EUR") for i in range(1, 6)]
    assert [line.worth for line in advise(answers(*many), 20.0)] == [5.0, 4.0, 3.0]
    assert MOST == 3


def test_what_one_answer_has_settled_no_other_asks_for():
    none = RecordNext("Measure none.", about=About.MEASURING, more=False)
    ten = RecordNext("Measure ten of every lot.", about=About.MEASURING)
    assert advise(answers(ten, none, STAGES), 20.0) == (STAGES,)
    # Where a question cannot be asked at all, what it lacks stays.
    assert advise([*answers(none), *answers(ten, unanswered="Too few.")], 20.0) == (ten,)


def test_what_is_left_out_has_a_reason():
    none = RecordNext("Measure none.", about=About.MEASURING, more=False)
    ten = RecordNext("Measure ten of every lot.", about=About.MEASURING)
    more = RecordNext("Buy two forms.", 3.0, "EUR", About.CANE)
    last = RecordNext("Note the day.", about=About.ENDS)
    found = weigh(answers(last, ten, none, STAGES, more, LOT, SIGNS), 20.0)
    assert [(one.say, one.place) for one in found] == [
        (SIGNS, Place.SAID), (LOT, Place.SAID), (more, Place.SAME), (last, Place.SAID),
        (ten, Place.SETTLED), (STAGES, Place.LESS), (none, Place.ENOUGH),
    ]  # fmt: skip


def test_nothing_to_say_is_nothing():
    assert advise(answers(None, RecordNext("Go on.", more=False)), 20.0) == ()
