"""Numbers of draws, refits and simulations that say nothing are refused in one sentence."""

from __future__ import annotations

import pytest

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.simulate import simulate_reeds

FORMULA = "success ~ density_g_cm3 + (1 | lot)"


@pytest.fixture(scope="module")
def reeds():
    return simulate_reeds(seed=1)[0]


@pytest.fixture(scope="module")
def model(reeds) -> rl.Fit:
    return rl.fit(FORMULA, reeds, "binomial")


@pytest.fixture(scope="module")
def post(model) -> rl.Posterior:
    return model.posterior(draws=100)


REFUSED = [
    (lambda m: m.conf_int("bootstrap", n=1), "n= is 1: give a whole number of refits, 20 or"),
    (lambda m: m.conf_int("bootstrap", n=0), "n= is 0"),
    (lambda m: m.variance_test("lot", n=0), "n= is 0: .* of simulated responses, 19 or more"),
    (lambda m: m.term_tests("simulated", n=1.5), "n= is 1.5"),
    (lambda m: m.residuals(n=0), "n= is 0: .* of simulated responses, 20 or more"),
    (lambda m: m.posterior(draws=1.5), "draws= is 1.5: give a whole number of draws, 2 or more"),
    (lambda m: m.posterior(draws=0), "draws= is 0"),
    (lambda m: m.posterior(draws=-1), "draws= is -1"),
    (lambda m: m.calibration("lot", draws=0), "draws= is 0"),
]


@pytest.mark.parametrize(("ask", "says"), REFUSED)
def test_of_a_fit(model, ask, says):
    with pytest.raises(ModelError, match=says):
        ask(model)


@pytest.mark.parametrize("n", [-1, 0, 2.5])
def test_of_draws(post, n):
    with pytest.raises(ModelError, match=f"n= is {n}: give a whole number of draws, 1 or more"):
        post.draws(n)
    with pytest.raises(ModelError, match=f"n= is {n}"):
        post.levels_draws("lot", n)


def test_of_filling_in_and_of_correcting(reeds):
    gaps = reeds.assign(density_g_cm3=reeds["density_g_cm3"].where(reeds.index % 3 > 0))
    few = {"m": 2, "cycles": 3, "draws": 40}
    for option, number, least in (("m", 1, 2), ("cycles", 2, 3), ("draws", 1, 2)):
        with pytest.raises(ModelError, match=f"{option}= is {number}: .*, {least} or more"):
            rl.fit_filled(FORMULA, gaps, "binomial", **few | {option: number})
    with pytest.raises(ModelError, match="n= is 0: give a whole number of draws"):
        rl.fit_filled(FORMULA, gaps, "binomial", **few).draws(0)
    with pytest.raises(ModelError, match=r"replicates= is 1: .* of resampled benches, 2 or more"):
        rl.fit_corrected(
            FORMULA, reeds, "binomial", reading_error={"density_g_cm3": 0.01}, replicates=1
        )
