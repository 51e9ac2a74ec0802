"""The names under ``rl``: all listed, all there, none imported before it is used."""

import re
import subprocess
import sys
from types import ModuleType

import pytest

import reedlab as rl
from reedlab import errors

QUESTIONS = ("suppliers", "rank_suppliers", "price", "passing_over", "giving_up", "losses",
             "seasons", "air", "gouger", "uneven_lots", "gauge", "gauge_agreement", "unmeasured",
             "makers", "today", "order")  # fmt: skip
REFUSALS = [name for name, kind in vars(errors).items() if isinstance(kind, type)]


@pytest.mark.parametrize("name", [name for name in rl.__all__ if name != "trial"])
def test_a_public_name_is_what_it_says(name):
    assert name in rl.__all__
    assert getattr(rl, name).__name__ == name
    assert getattr(rl, name).__doc__


def test_every_error_and_question_is_public():
    assert {*QUESTIONS, *REFUSALS} <= {*rl.__all__}


def test_a_trial_is_planned_and_read():
    assert isinstance(rl.trial, ModuleType)
    assert callable(rl.trial.plan) and callable(rl.trial.read)


def test_the_docstring_is_the_table_of_contents():
    listed = re.findall(r"^    (\w+)  +\S", rl.__doc__, re.MULTILINE)
    assert listed == rl.__all__
    assert dir(rl) == sorted(rl.__all__)
    assert max(map(len, rl.__doc__.splitlines())) <= 100


@pytest.mark.parametrize("ask", ["import reedlab; help(reedlab)", "-m pydoc reedlab"])
def test_help_is_a_page(ask):
    command = ask.split() if ask.startswith("-m") else ["-c", ask]
    page = subprocess.check_output([sys.executable, *command], text=True)
    for name in rl.__all__:
        assert len(re.findall(rf"^ +{name}  +\S", page, re.MULTILINE)) == 1
    assert "class " not in page and len(page.splitlines()) < 120


def test_nothing_heavy_is_imported_before_it_is_used():
    heavy = "import sys, reedlab; dir(reedlab); print({'numpy', 'pandas'} & {*sys.modules})"
    assert subprocess.check_output([sys.executable, "-c", heavy], text=True) == "set()\n"
    week = "import sys, reedlab as rl; rl.suppliers, rl.today, rl.fit; "
    week += "heavy = {'scipy.stats', 'scipy.optimize', 'statsmodels', 'matplotlib', 'seaborn'}; "
    week += "print(heavy & {*sys.modules})"
    assert subprocess.check_output([sys.executable, "-c", week], text=True) == "set()\n"


def test_a_misspelt_name_gets_the_right_one():
    with pytest.raises(AttributeError, match=r"no 'supliers': did you mean 'suppliers'\?"):
        rl.supliers  # noqa: B018
    with pytest.raises(AttributeError, match=r"no 'xyz': help\(reedlab\)"):
        rl.xyz  # noqa: B018


def test_every_question_is_asked_alike():
    import inspect

    for name in QUESTIONS:
        bench, *options = inspect.signature(getattr(rl, name)).parameters.values()
        assert bench.name == "bench"
        keyword = {p.name: p.default for p in options if p.kind is p.KEYWORD_ONLY}
        assert keyword.items() >= {"level": 0.9, "seed": 1}.items()
        of = {p.name for p in options} - keyword.keys()
        assert of <= {"column", "quantity", "first", "second", "reeds", "by"}
