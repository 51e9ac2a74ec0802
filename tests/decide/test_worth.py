"""One value of a saleable reed for every question that weighs one."""

import numpy as np
import pytest

from reedlab.decide.costs import cost_per_saleable
from reedlab.decide.stopping.after_roughing import giving_up
from reedlab.decide.stopping.before_tying import passing_over
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.records import Bench


def without_prices(bench):
    reeds = bench.tables["reeds"].assign(sold_for=np.nan)
    return Bench.from_tables({**bench.tables, "reeds": reeds}, bench.settings, check=False)


def test_where_prices_are_kept_every_question_counts_the_mean_price(demo, answer):
    price = demo.reeds["sold_for"].mean()
    pieces, blanks = passing_over(demo), giving_up(demo)
    assert answer.value == pytest.approx(price)
    assert pieces.stakes.value == pytest.approx(price)
    assert blanks.stakes.value == pytest.approx(price / demo.settings.wage_per_hour * 60)
    for said in (pieces.worth, blanks.worth, " ".join(answer.notes)):
        assert "A saleable reed is counted at its mean price" in said


def test_without_prices_it_is_what_another_one_costs(demo):
    bare = without_prices(demo)
    answer, pieces = suppliers(bare), passing_over(bare)
    cost = np.median(
        cost_per_saleable(answer.basis.lot.expected, answer.basis.evidence.rates), axis=0
    )
    assert answer.value == pytest.approx(cost.min())
    # Of the measured reeds, at their own share of good ones, near what all suppliers cost.
    assert 0.8 * cost.min() < pieces.stakes.value < 1.2 * cost.max()
    assert "counted at what another costs" in pieces.worth
