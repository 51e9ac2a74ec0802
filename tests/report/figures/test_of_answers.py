"""Every kind of answer has a picture with words, or a reason why none."""

import importlib
import pkgutil

import pandas as pd
import pytest

import reedlab as rl
import reedlab.decide
from reedlab.decide.answer import Answer
from reedlab.decide.orders.planning import Orders
from reedlab.decide.pupil import Pupil
from reedlab.decide.stopping.stages import Stopping
from reedlab.decide.today import Today
from reedlab.decide.trial import TrialPlan, plan
from reedlab.report.figures import base, of_answers

for _module in pkgutil.walk_packages(reedlab.decide.__path__, "reedlab.decide."):
    importlib.import_module(_module.name)


def kinds(root=Answer):
    for kind in root.__subclasses__():
        yield kind
        yield from kinds(kind)


def _takes_no_arguments(kind):
    return not kind.__module__.startswith("reedlab.decide.trial")


ASKED = [k for k in kinds() if k is not Stopping and k.__module__.startswith("reedlab.")]


@pytest.mark.parametrize("kind", ASKED, ids=lambda kind: kind.__name__)
def test_a_kind_of_answer_has_a_picture_or_a_reason(kind):
    assert of_answers.pictures.dispatch(kind) is not of_answers.pictures.dispatch(object)
    if _takes_no_arguments(kind):
        unanswered = kind(unanswered="No reed is recorded.")
        if kind in (Today, Orders, Pupil):
            with pytest.raises(rl.DecisionError, match=f"no picture of {kind.__name__}: a "):
                of_answers.pictures(unanswered)
            return
        for name, picture in of_answers.pictures(unanswered).items():
            assert picture.alt, name
            empty = rl.figure(unanswered, name)
            assert not empty.has_data()
            assert base.alternative_text(empty) == "No reed is recorded."


def test_a_plan_says_why_it_has_no_picture():
    with pytest.raises(rl.DecisionError, match="no picture of TrialPlan: a plan has no results"):
        rl.figure(plan("one lot", ("as now", "thicker"), blanks=20))
    assert TrialPlan in ASKED


def test_a_picture_is_drawn_by_name_and_keeps_its_words():
    answer = rl.losses(rl.demo_bench(), level=0.95)
    stages, lots = rl.figure(answer), rl.figure(answer, "before tying")
    drawn = [text.get_text() for text in stages.get_yticklabels()]
    assert drawn == answer.table["stage"].tolist()
    assert len(lots.get_yticklabels()) == len(answer.before_tying)
    assert base.alternative_text(stages).startswith("Share of all settled reeds lost")
    assert "95% intervals" in base.alternative_text(lots)
    with pytest.raises(rl.DecisionError, match="'lots': choose one of stages, before tying"):
        rl.figure(answer, "lots")


def test_what_is_no_answer_has_no_picture():
    with pytest.raises(rl.DecisionError, match="no picture of DataFrame"):
        rl.figure(pd.DataFrame())
