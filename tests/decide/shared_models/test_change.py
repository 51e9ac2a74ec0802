"""What a maker learns is not the suppliers', and the next lot is worked with today's hands."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from reedlab.decide.evidence import YEARS, gather
from reedlab.decide.shared_models.change import changes, said
from reedlab.decide.shared_models.models import Spec, fit_models, formula_of, success_posterior
from reedlab.records import Bench

RATE, FASTER = 1.0, np.log(0.8)


def learning(seed: int, makers: str = "A", rates: tuple[float, ...] = (RATE,)) -> Bench:
    """Two years of eight lots of two suppliers who are alike; half the reeds good in the middle."""
    rng = np.random.default_rng(seed)
    n = 1200
    years = np.sort(rng.uniform(-2.0, 0.0, n))
    years[-1] = 0.0
    maker = rng.integers(0, len(makers), n)
    good = rng.random(n) < expit(np.array(rates)[maker] * (years + 1))
    minutes = np.exp(3.4 + FASTER * (years + 1) + rng.normal(0.0, 0.25, n))
    lot = rng.integers(0, 8, n)
    lots = pd.DataFrame({"lot": [f"L{i}" for i in range(8)], "supplier": ["teal", "plum"] * 4})
    reeds = pd.DataFrame(
        {
            "reed": [str(i) for i in range(n)],
            "lot": [f"L{i}" for i in lot],
            "maker": [makers[i] for i in maker],
            "tied_on": pd.Timestamp("2026-03-01")
            + pd.to_timedelta(np.round(years * 365.25), unit="D"),
            "outcome": np.where(good, "good", "reject"),
            "rough_min": minutes / 2,
            "finish_min": minutes / 2,
        }
    )
    return Bench.from_tables({"lots": lots, "reeds": reeds}, check=False, today="2026-03-01")


@pytest.fixture(scope="module")
def evidence():
    return gather(learning(1))


@pytest.fixture(scope="module")
def models(evidence):
    return fit_models(evidence, draws=1000)


def test_the_next_lot_is_worked_as_well_and_as_fast_as_today(evidence, models):
    one = models.next_lot(evidence).expected
    assert np.median(one.success) == pytest.approx(expit(RATE), abs=0.06)
    held = fit_models(evidence, draws=1000, spec=Spec(changing=False)).next_lot(evidence).expected
    assert np.median(held.success) == pytest.approx(0.5, abs=0.06)
    today = np.exp(3.4 + FASTER + 0.25**2 / 2)
    assert np.median(one.minutes_success) == pytest.approx(today, rel=0.05)


def test_what_changes_a_year_is_said_with_its_range(models):
    table = models.changes.set_index("measure")
    assert table.loc["success", "low"] < expit(0.5) - expit(-0.5) < table.loc["success", "high"]
    assert table.loc["minutes", "low"] < np.expm1(FASTER) < table.loc["minutes", "high"]
    more, faster = said(models.changes)
    assert more.startswith("Of 100 reeds about ") and " more turn out good each year" in more
    assert " less time each year" in faster
    assert {more, faster} <= set(models.notes)


def test_under_half_a_year_of_records_has_no_such_term(evidence):
    few = evidence.reeds[evidence.reeds[YEARS] > -0.45]
    assert "years" not in formula_of(few, Spec())
    post = success_posterior(few, Spec(), 1, 200)
    assert changes(post, None).empty


def test_makers_may_learn_at_different_rates():
    """One learns and one has long learnt: what is said is the mean of the two."""
    two = gather(learning(2, "AB", (2.0, 0.0))).reeds
    assert f"{YEARS} + maker:{YEARS}" in formula_of(two, Spec())
    post = success_posterior(two, Spec(), 1, 1000)
    draws = post.draws()
    assert draws[f"maker[T.B]:{YEARS}"].quantile(0.95) < -0.5
    row = changes(post, None).iloc[0]
    assert row.low < expit(0.5) - expit(-0.5) < row.high
