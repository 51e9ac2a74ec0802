"""What every answer has, and an answer that cannot be given."""

from dataclasses import dataclass

import pandas as pd
import pytest

from reedlab.decide.answer import (
    CLAIMS,
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
    weakest,
)
from reedlab.errors import DataError, DecisionError
from reedlab.records import Bench

EMPTY = Bench.from_tables({}, check=False)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Colours(Answer):
    table: pd.DataFrame = empty("colour", "count")
    slopes: pd.DataFrame = empty("odds_ratio", index="measure")

    def _sentence(self) -> str:
        return f"{len(self.table)} colours."


@question(Colours)
def colours(bench, how="counts", *, level=0.9):
    if how == "none":
        raise CannotAnswer("No reed is there.", RecordNext("Record one."))
    if how == "wrong":
        raise DataError("no such column.")
    rows = [("ochre leads", 0.7, Verdict.LIKELY, 1.0, True)] if how == "claims" else []
    table = pd.DataFrame({"colour": ["<ochre>"], "count": [1.0]})
    return Colours(table=table, level=level, claims=claims_frame(rows))


def test_the_first_claim_decides_and_none_describes():
    assert colours(EMPTY, "claims").verdict is Verdict.LIKELY
    assert colours(EMPTY).verdict is Verdict.DESCRIBES
    assert list(colours(EMPTY).claims) == list(CLAIMS)


def test_what_cannot_be_answered_is_an_answer_with_its_columns():
    found = colours(EMPTY, "none", level=0.8)
    assert (found.verdict, found.level) == (Verdict.CANNOT_SAY, 0.8)
    assert found.record_next == RecordNext("Record one.")
    assert found.sentence() == "No reed is there. Record one."
    assert {name: list(frame) for name, frame in found.tables.items()} == {
        "table": ["colour", "count"],
        "slopes": ["odds_ratio"],
    }
    assert found.slopes.index.name == "measure"
    assert all(frame.empty for frame in found.tables.values())
    assert found._repr_html_() == "<p>No reed is there. Record one.</p>"


def test_a_follow_up_keeps_the_level_of_its_answer():
    @question(Colours)
    def again(said):
        raise CannotAnswer(said.unanswered, said.record_next)

    assert again(colours(EMPTY, "none", level=0.8)).level == 0.8


def test_what_is_wrong_stays_an_error():
    with pytest.raises(DataError):
        colours(EMPTY, "wrong")
    assert issubclass(CannotAnswer, DecisionError)
    assert str(CannotAnswer("Why.", RecordNext("Do."))) == "Why. Do."


def test_the_html_view_escapes_what_records_hold():
    html = colours(EMPTY, "claims")._repr_html_()
    assert "<ochre>" not in html and "&lt;ochre&gt;" in html


@pytest.mark.parametrize(
    ("probability", "grade"),
    [
        (0.9, Verdict.SURE),
        (0.89, Verdict.LIKELY),
        (2 / 3, Verdict.LIKELY),
        (0.66, Verdict.CANNOT_SAY),
        (float("nan"), Verdict.CANNOT_SAY),
    ],
)
def test_grades_begin_where_they_say(probability, grade):
    assert graded(probability) is grade


def test_the_weakest_verdict_is_the_least_sure():
    assert weakest([Verdict.CANNOT_SAY, Verdict.SURE]) is Verdict.CANNOT_SAY
    assert weakest([Verdict.SURE]) is Verdict.SURE


def test_the_worth_of_the_next_record_is_said():
    assert str(RecordNext("Buy a lot.", 12.4, "EUR")).endswith("up to about 12 EUR a year.")
    assert str(RecordNext("Buy a lot.", 0.2, "EUR")) == "Buy a lot."


@pytest.mark.parametrize("given", ["my-bench", pd.DataFrame({"reed": ["1"]})])
def test_what_is_no_bench_is_refused_in_a_sentence(given):
    with pytest.raises(DecisionError, match=r"colours needs a bench, not (str|DataFrame)"):
        colours(given)
    with pytest.raises(DecisionError, match="colours needs a bench"):
        colours(bench=given)


@pytest.mark.parametrize("level", [95, 0, "0.9", float("nan")])
def test_a_level_that_is_no_share_is_refused_in_a_sentence(level):
    with pytest.raises(DecisionError, match=r"level is .*: give a share between 0 and 1"):
        colours(EMPTY, level=level)
