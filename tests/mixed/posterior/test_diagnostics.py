"""What a posterior says of itself: the checks, their failures, and the priors' share."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import dblquad
from scipy.special import expit
from scipy.stats import expon, halfnorm, norm

from reedlab.errors import PosteriorWarning
from reedlab.mixed import fit
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.posterior.diagnostics import CONFLICT, INVERSE, MINUTES, change_of_mean
from reedlab.mixed.posterior.importance import pareto_smooth
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.simulate import simulate_reeds

PSIS = json.loads((Path(__file__).parents[2] / "reference" / "psis.json").read_text())
LOTS, REEDS = (1, 3, 6), 6  # successes of three lots


@pytest.fixture(scope="module")
def reeds() -> pd.DataFrame:
    return simulate_reeds(seed=1)[0]


def three_lots() -> Design:
    y = np.concatenate([np.repeat([1.0, 0.0], [k, REEDS - k]) for k in LOTS])
    lot = np.repeat(np.arange(3), REEDS)
    term = RandomTerm("lot", ("a", "b", "c"), lot, ("Intercept",), np.ones((len(y), 1)))
    return Design(y, np.ones((len(y), 1)), ("Intercept",), (term,))


@pytest.mark.parametrize(
    ("name", "distribution", "size"),
    [
        ("nearly even", norm(scale=0.3), 1000),
        ("uneven", norm(scale=1.5), 2500),
        ("without a mean", expon(), 4000),
        ("few", norm(scale=0.5), 60),
    ],
)
def test_pareto_smoothing_is_that_of_arviz(name, distribution, size):
    log_weight = distribution.ppf((np.arange(size) + 0.5) / size)
    weight, k = pareto_smooth(log_weight)
    assert k == pytest.approx(PSIS[name]["k"], rel=1e-10)
    np.testing.assert_allclose(np.sort(weight)[-5:], PSIS[name]["largest"], rtol=1e-10)


def test_even_weights_have_no_tail_and_a_lone_one_has_nothing_else():
    weight, k = pareto_smooth(np.zeros(500))
    assert k == 0.0 and np.ptp(weight) == 0.0
    assert pareto_smooth(np.append(np.full(500, -900.0), 0.0))[1] == np.inf


@pytest.mark.parametrize(
    ("formula", "family", "priors", "last"),
    [
        ("success ~ season + (1 | supplier/lot)", "binomial", None, INVERSE),
        (
            "log_scrape_min ~ maker + (1 | supplier/lot)",
            "gaussian",
            Priors.log_minutes(),
            MINUTES,
        ),
        ("grade ~ 1 + (1 | lot)", "ordinal", None, INVERSE),
        ("scrape_min ~ 1 + (1 | lot)", "gaussian", None, CONFLICT),
    ],
)
def test_an_ordinary_bench_passes_every_check(reeds, formula, family, priors, last):
    eta = 2.0 * reeds["success"] - reeds["log_scrape_min"]
    grade = pd.cut(eta + np.sin(np.arange(len(reeds))), 3, labels=["C", "B", "A"])
    data = reeds.assign(grade=grade, scrape_min=np.exp(reeds["log_scrape_min"]))
    with warnings.catch_warnings(action="error"):
        table = fit(formula, data, family=family).posterior(priors=priors).diagnostics()
    assert table["ok"].all() and table["check"].iloc[-1] == last.name
    assert table.columns.tolist() == ["check", "value", "limit", "ok", "meaning"]


def test_twice_the_prior_scale_leaves_no_mean_cost_and_says_so(reeds):
    """exp(sd²/2) outgrows a half-normal of scale 1.5: the mean of 1/p does not exist."""
    post = fit("success ~ 1 + (1 | supplier/lot)", reeds, family="binomial").posterior(
        priors=Priors().scaled(2.0)
    )
    with pytest.warns(PosteriorWarning, match=r"mean 1/success .* take medians"):
        table = post.diagnostics().set_index("check")
    assert not table.loc["change of mean 1/success", "ok"]
    assert table["ok"].iloc[:3].all()


def test_a_prior_that_the_records_contradict_is_reported():
    """Minutes themselves under the priors of their logarithm, and under their own."""
    rng = np.random.default_rng(6)
    lot = np.repeat(np.arange(8), 12)
    minutes = 40 + rng.normal(0, 4, 8)[lot] + rng.normal(0, 6, 96)
    model = fit("minutes ~ 1 + (1 | lot)", pd.DataFrame({"minutes": minutes, "lot": lot}))
    post = model.posterior(priors=Priors.log_minutes())
    with pytest.warns(PosteriorWarning, match="prior and records disagree"):
        row = post.diagnostics().set_index("check").loc[CONFLICT.name]
    assert not row["ok"] and row["value"] < row["limit"]
    means = post.summary()["mean"]
    chances = halfnorm.sf(means[["sd lot", "sd Residual"]], scale=[0.25, 1.0])
    assert np.log(row["value"]) == pytest.approx(np.log(chances.min()), rel=0.02)
    assert model.posterior().diagnostics()["ok"].all()


def test_a_lattice_cut_short_warns_when_it_is_made(monkeypatch):
    monkeypatch.setattr("reedlab.mixed.posterior.nested_laplace._DEPTH", 0.5)
    with pytest.warns(PosteriorWarning, match="outermost points"):
        post = design_posterior(three_lots(), "binomial", Priors())
    with pytest.warns(PosteriorWarning):
        table = post.diagnostics().set_index("check")
    assert not table.loc["weight on the outermost points", "ok"]
    assert not table.loc["change of mean 1/success", "ok"]


@pytest.mark.filterwarnings("ignore::reedlab.errors.PosteriorWarning")
@pytest.mark.parametrize("depth", [2.0, 4.0, 11.0])
def test_the_change_of_mean_cost_against_quadrature(depth, monkeypatch):
    """Given sd and intercept, lots integrate one by one and E[1/p] = 1 + exp(sd²/2 - intercept).

    The lattice's density falls to 0 between its last node and the next, so its range ends there.
    """
    monkeypatch.setattr("reedlab.mixed.posterior.nested_laplace._DEPTH", depth)
    post = design_posterior(three_lots(), "binomial", Priors())
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    weight = weight / weight.sum()

    def density(b: float, sd: float) -> float:
        p = expit(b + sd * node)
        lots = [weight @ (p**k * (1 - p) ** (REEDS - k)) for k in LOTS]
        return float(np.prod(lots) * np.exp(-0.5 * (sd / 0.75) ** 2 - 0.5 * (b / 2.5) ** 2))

    def mean(end: float) -> float:
        def cost(b: float, sd: float) -> float:
            return (1.0 + np.exp(0.5 * sd**2 - b)) * density(b, sd)

        area = (0, end, -8, 8)
        return dblquad(cost, *area, epsrel=1e-4)[0] / dblquad(density, *area, epsrel=1e-4)[0]

    axis, last = post.lattice.axes[0], int(post.lattice.index.max())
    ours = change_of_mean(post.conditional, post.lattice)
    at_node, at_next = (mean(2.0 * axis[i]) / mean(axis[i]) - 1.0 for i in (last, last + 1))
    assert at_next < ours < at_node


def test_a_ridge_is_explored_again_with_closer_nodes(reeds):
    """The supplier as fixed and as random effect: only their sum is told, and that sharply."""
    with warnings.catch_warnings(action="error"):
        model = fit("log_scrape_min ~ supplier + (1 | supplier)", reeds)
        post = model.posterior(priors=Priors.log_minutes())
    assert post.sample.pareto_k < 0.7 and post.sample.effective > 0.1


def test_sensitivity_is_what_refitting_says(reeds):
    model = fit("success ~ maker + (1 | supplier)", reeds, family="binomial")
    post = model.posterior()
    table = post.sensitivity(scales=(0.5, 1.0, 2.0), level=0.9)
    assert table.columns.tolist() == ["parameter", "scale", "mean", "sd", "low", "high", "shift"]
    assert table["parameter"].unique().tolist() == list(post.names)
    own = post.summary(0.9)
    wide = model.posterior(priors=Priors(sd_scale=1.5)).summary(0.9)
    rows = table.set_index(["parameter", "scale"])
    for name in post.names:
        assert rows.loc[(name, 1.0), "shift"] == 0.0
        assert rows.loc[(name, 1.0), "low"] == own.loc[name, "low"]
        told = rows.loc[(name, 2.0)]
        assert told["mean"] == pytest.approx(wide.loc[name, "mean"], abs=0.1 * wide.loc[name, "sd"])
        shift = (told["mean"] - own.loc[name, "mean"]) / own.loc[name, "sd"]
        assert told["shift"] == pytest.approx(shift)
    sds = rows.loc["sd supplier", "mean"]
    assert sds[0.5] < sds[1.0] < sds[2.0]
