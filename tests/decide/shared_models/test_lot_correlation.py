"""How a lot's success and its minutes go together, where that is known."""

import numpy as np
import pandas as pd
import pytest

from reedlab.decide.next_lot import Ability, next_lot
from reedlab.decide.shared_models.lot_correlation import correlations, said
from reedlab.mixed.design.matrices import build
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors


def posteriors(seed: int, rho: float, lots: int = 40, reeds: int = 40):
    rng = np.random.default_rng(seed)
    a, own = rng.standard_normal((2, lots))
    b = rho * a + np.sqrt(1 - rho**2) * own
    lot = np.repeat(np.arange(lots), reeds)
    frame = pd.DataFrame({"lot": pd.Categorical(lot)})
    frame["success"] = (rng.random(len(lot)) < 1 / (1 + np.exp(-0.8 * a[lot]))).astype(float)
    frame["log_min"] = 3.4 + 0.2 * b[lot] + rng.normal(0, 0.25, len(lot))
    out = []
    for response, family in (("success", "binomial"), ("log_min", "gaussian")):
        terms = "1" if family == "binomial" else "success"
        design, recipe = build(f"{response} ~ {terms} + (1 | lot)", frame, family)
        priors = Priors() if family == "binomial" else Priors.log_minutes()
        out.append(design_posterior(design, family, priors, 1, 1000, recipe))
    return out


@pytest.mark.parametrize("rho", [-0.8, 0.0, 0.8])
def test_many_lots_show_it(rho):
    drawn = correlations(*posteriors(3, rho), seed=1)
    assert drawn.mean() == pytest.approx(rho, abs=0.25)
    low, high = np.quantile(drawn, [0.01, 0.99])
    assert low <= rho <= high
    assert bool(said(drawn)) == (rho != 0.0)


def test_lots_of_few_reeds_do_not_flatten_it():
    """Eight reeds show a lot's effect blurred, by its reliability (Spearman 1904).

    It is 0.8² / (0.8² + 1 / (8 x 0.217)) = 0.53 for success, 0.217 the mean of p (1 - p), and
    0.2² / (0.2² + 0.25² / 8) = 0.84 for log minutes.
    """
    success, pace = posteriors(5, -0.8, lots=200, reeds=8)
    a, b = (post.levels_draws("lot").mean() for post in (success, pace))
    drawn = correlations(success, pace, seed=1)
    assert drawn.mean() == pytest.approx(np.corrcoef(a, b)[0, 1] / np.sqrt(0.53 * 0.84), abs=0.05)
    assert np.quantile(drawn, 0.005) <= -0.8


def test_few_lots_say_less_than_many():
    few, many = (correlations(*posteriors(4, -0.8, lots=n, reeds=12), seed=1) for n in (5, 40))
    assert few.std() > 1.5 * many.std()


def test_draws_of_one_value_are_that_value():
    n = 50
    success, good, failed = (
        Ability(np.full((n, 1), base), np.ones(1), np.tile([0.1, -0.1], (n, 1)), sd, 0.3 * sd)
        for base, sd in ((0.2, np.full(n, 0.6)), (3.4, np.full(n, 0.25)), (3.1, np.full(n, 0.3)))
    )
    parts, rest = (success, good), (failed, np.ones(2), np.zeros(2))
    one = next_lot(*parts, *rest, correlation=-0.4)
    many = next_lot(*parts, *rest, correlation=np.full(n, -0.4))
    for part in ("success", "minutes_success", "minutes_failure"):
        for which in ("one", "expected"):
            a, b = (getattr(getattr(lot, which), part) for lot in (one, many))
            np.testing.assert_allclose(a, b)
