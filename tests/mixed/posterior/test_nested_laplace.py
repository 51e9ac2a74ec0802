"""The posterior against NUTS, against exact integration, and against itself.

``nuts.json`` and ``nuts_bench.csv`` were written by ``tests/reference/nuts.py`` (PyMC, nutpie) with
the same priors, written out there by hand.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import expit

from reedlab.errors import ModelError, PredictionError
from reedlab.mixed import fit
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.binomial import likelihood
from reedlab.mixed.engine.laplace import find_mode
from reedlab.mixed.posterior.conditional import conditional
from reedlab.mixed.posterior.nested_laplace import design_posterior, posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.scales import Scales

REFERENCE = Path(__file__).parents[2] / "reference"
NUTS = json.loads((REFERENCE / "nuts.json").read_text())
FORMULAS = {
    "binomial": "success ~ maker + density_g_cm3 + (1 | supplier/lot)",
    "gaussian": "log_scrape_min ~ maker + density_g_cm3 + (1 | supplier/lot)",
    "ordinal": "grade ~ maker + density_g_cm3 + (1 | lot)",
}


@pytest.fixture(scope="module")
def bench() -> pd.DataFrame:
    bench = pd.read_csv(REFERENCE / "nuts_bench.csv")
    return bench.assign(grade=pd.Categorical(bench["grade"], ["C", "B", "A"], ordered=True))


@pytest.fixture(scope="module", params=[*FORMULAS])
def fitted(request, bench):
    return fit(FORMULAS[request.param], bench, family=request.param)


@pytest.fixture(scope="module")
def success(bench):
    return fit(FORMULAS["binomial"], bench, family="binomial").posterior(seed=3)


def monte_carlo_error(values: np.ndarray, q: float) -> float:
    """Standard error of a quantile of independent draws, from neighbouring order statistics."""
    n = len(values)
    half = np.sqrt(q * (1 - q) / n)
    low, high = np.quantile(values, [max(q - half, 0), min(q + half, 1)])
    return float(high - low) / 2


def test_reference_is_converged():
    for family in FORMULAS:
        assert NUTS[family + "_divergences"] == 0
        assert all(r["rhat"] < 1.01 and r["ess"] > 4000 for r in NUTS[family].values())


def test_quantiles_agree_with_nuts(fitted):
    priors = Priors.log_minutes() if fitted.family == "gaussian" else None
    post = fitted.posterior(seed=1, priors=priors)
    draws = post.draws()
    for name in [n for n in draws if n.startswith("sd ")]:
        draws[f"log {name}"] = np.log(draws[name])
    for term in fitted.fitted.design.terms:
        effects = post.levels_draws(term.group)
        for level in effects:
            draws[f"{term.group} {level.split(':')[-1]}"] = effects[level]
    compared = 0
    for name, told in NUTS[fitted.family].items():
        for q, key in ((0.05, "q05"), (0.50, "q50"), (0.95, "q95")):
            ours = draws[name].to_numpy()
            error = np.hypot(told["mcse_" + key], monte_carlo_error(ours, q))
            difference = abs(np.quantile(ours, q) - told[key])
            assert difference < 0.1 * told["sd"] + 3 * error, (name, q, difference, told["sd"])
            compared += 1
    assert compared > 80


def test_many_draws_close_in_on_nuts(success):
    """A hundred thousand draws leave only NUTS's own error: nothing is hidden by our own."""
    draws = success.draws(100_000)
    for name in draws:
        told = NUTS["binomial"][name]
        assert abs(draws[name].mean() - told["mean"]) < 0.025 * told["sd"], name
        assert draws[name].std() == pytest.approx(told["sd"], rel=0.02), name


def test_looked_for_where_other_data_had_theirs_it_is_the_same(success):
    """On the lattice of shuffled outcomes, of which suppliers and lots say nothing."""
    design, shuffled = success.design, np.random.default_rng(1).permutation(success.design.y)
    near = design_posterior(design.with_response(shuffled), "binomial", success.priors)
    post = design_posterior(design, "binomial", success.priors, draws=50_000, near=near)
    assert all(map(np.array_equal, post.lattice.axes, near.lattice.axes))
    assert len(post.lattice.index) > len(near.lattice.index)  # and walked on from there
    for name in post.draws():
        told = NUTS["binomial"][name]
        assert abs(post.draws()[name].mean() - told["mean"]) < 0.025 * told["sd"], name
        assert post.draws()[name].std() == pytest.approx(told["sd"], rel=0.02), name


def one_group(y: np.ndarray, levels: np.ndarray) -> Design:
    names = tuple(str(v) for v in np.unique(levels))
    term = RandomTerm("lot", names, levels, ("Intercept",), np.ones((len(y), 1)))
    return Design(y, np.ones((len(y), 1)), ("Intercept",), (term,))


def test_three_lots_against_quadrature():
    """A model small enough to integrate: one lot sd, one intercept, three lots of six reeds.

    Given sd and intercept the lots are independent, so that their effects integrate one by one.
    """
    successes, trials = np.array([1, 3, 6]), 6
    y = np.concatenate([np.repeat([1.0, 0.0], [k, trials - k]) for k in successes])
    post = design_posterior(one_group(y, np.repeat(np.arange(3), trials)), "binomial", Priors())
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    weight = weight / weight.sum()

    def density(b: float, sd: float) -> float:
        p = expit(b + sd * node)
        lots = [weight @ (p**k * (1 - p) ** (trials - k)) for k in successes]
        return float(np.prod(lots) * np.exp(-0.5 * (sd / 0.75) ** 2 - 0.5 * (b / 2.5) ** 2))

    total = dblquad(density, 0, 5, -8, 8, epsrel=1e-5)[0]
    sd_mean = dblquad(lambda b, s: s * density(b, s), 0, 5, -8, 8, epsrel=1e-5)[0] / total
    b_mean = dblquad(lambda b, s: b * density(b, s), 0, 5, -8, 8, epsrel=1e-5)[0] / total
    below = dblquad(density, 0, 0.3, -8, 8, epsrel=1e-5)[0] / total
    draws = post.draws(40_000)
    error = draws.std() / np.sqrt(20_000)
    assert abs(draws["sd lot"].mean() - sd_mean) < 4 * error["sd lot"]
    assert abs(draws["Intercept"].mean() - b_mean) < 4 * error["Intercept"]
    assert (draws["sd lot"] < 0.3).mean() == pytest.approx(below, abs=4 * 0.5 / np.sqrt(20_000))


def test_gaussian_one_lot_sd_against_quadrature():
    """With σ all but known and a balanced design the density of the sd is known in closed form."""
    rng = np.random.default_rng(5)
    lots, size, sigma = 6, 200, 1.0
    y = np.repeat(rng.normal(0, 0.25, lots), size) + rng.normal(0, sigma, lots * size)
    means = y.reshape(lots, size).mean(axis=1)
    priors = Priors(sd_scale=0.5, intercept_sd=1e3, coefficient_sd=1e3)
    post = design_posterior(one_group(y, np.repeat(np.arange(lots), size)), "gaussian", priors)
    s2 = np.sum((y.reshape(lots, size) - means[:, None]) ** 2) / (lots * (size - 1))

    def density(sd: float) -> float:
        v = sd**2 + s2 / size
        q = np.sum((means - means.mean()) ** 2) / v
        return float(v ** (-(lots - 1) / 2) * np.exp(-0.5 * q - 0.5 * (sd / 0.5) ** 2))

    total = quad(density, 0, 4)[0]
    mean = quad(lambda t: t * density(t), 0, 4)[0] / total
    draws = post.draws(40_000)["sd lot"]
    assert draws.mean() == pytest.approx(mean, abs=4 * draws.std() / np.sqrt(20_000) + 0.002)


def test_conditional_modes_are_the_engines(success, monkeypatch):
    """Step by step for many points together, and one by one in a search of its own."""
    monkeypatch.setattr("reedlab.mixed.posterior.conditional._CLOSE", 1e-12)
    cond = conditional(success.design, "binomial", success.priors, success.conditional.scales)
    point = np.array([[0.7, 0.3]])
    ours = cond.modes(point)
    design, prior = success.design, (cond.mean, cond.precision)

    def joint_mode(theta):
        zero = np.zeros(design.p)
        return find_mode(design, likelihood(design), theta, zero, free_beta=True, prior=prior)

    theirs = joint_mode(point[0])
    np.testing.assert_allclose(ours.x[0, cond.q :], theirs.beta, atol=1e-7)
    other = cond.modes(np.array([[0.2, 0.9]]))
    again = joint_mode(np.array([0.2, 0.9]))
    assert ours.log_density[0] - other.log_density[0] == pytest.approx(
        theirs.laplace - again.laplace, abs=1e-6
    )


def test_slopes_with_correlation():
    """Three sds, a correlation and a residual together; lmer's estimates lie inside."""
    rng = np.random.default_rng(8)
    lots, size = 12, 15
    lot = np.repeat(np.arange(lots), size)
    x = rng.normal(size=lots * size)
    effects = rng.multivariate_normal([0, 0], [[0.09, 0.03], [0.03, 0.04]], lots)
    y = 3.4 + 0.2 * x + effects[lot, 0] + effects[lot, 1] * x + rng.normal(0, 0.3, len(x))
    data = pd.DataFrame({"log_min": y, "x": x, "lot": lot.astype(str)})
    model = fit("log_min ~ x + (x | lot)", data)
    table = model.posterior(seed=1, priors=Priors.log_minutes()).summary(0.95)
    assert list(table.index) == [
        "Intercept", "x", "sd lot", "sd lot x", "cor lot x", "sd Residual",
    ]  # fmt: skip
    estimate = [*model.fe_params, *model.vcomp["sd"].iloc[:2], model.vcomp["corr"].iloc[1]]
    inside = (table["low"].iloc[:5] < estimate) & (estimate < table["high"].iloc[:5])
    assert inside.all()
    assert table.loc["x", "sd"] == pytest.approx(model.bse_fe["x"], rel=0.15)


def test_where_a_slopes_predictor_starts_does_not_matter():
    """A density of 0 is no cane: x and x + 10 have one posterior, as they have one likelihood.

    Counted from 0, a prior on how far lots lie apart there would hold their slopes together.
    """
    rng = np.random.default_rng(3)
    lot, x = np.repeat(np.arange(10), 25), rng.normal(0.0, 1.0, 250)
    grade = pd.Series(rng.choice([*"abc"], 250), dtype="category")
    slopes = rng.normal(0.4, 0.8, 10)
    chance = 1 / (1 + np.exp(-(0.3 + slopes[lot] * x)))
    data = pd.DataFrame({"lot": lot.astype(str), "x": x, "grade": grade})
    data["y"] = (rng.random(250) < chance).astype(float)
    far = data.assign(x=x + 10.0)
    one, other = (
        fit("y ~ x + grade + (x | lot)", rows, "binomial").posterior(seed=2, draws=20_000)
        for rows in (data, far)
    )
    a, b = one.draws(), other.draws()
    at_0 = {  # of the draws at x = 10, what they say at 0
        "Intercept": b["Intercept"] + 10 * b["x"],
        "sd lot": np.sqrt(
            b["sd lot"] ** 2 + 100 * b["sd lot x"] ** 2
            + 20 * b["cor lot x"] * b["sd lot"] * b["sd lot x"]
        ),
    }  # fmt: skip
    for name in a.columns.drop("cor lot x"):
        told = at_0.get(name, b[name])
        assert told.mean() == pytest.approx(a[name].mean(), abs=0.05 * a[name].std())
        assert told.std() == pytest.approx(a[name].std(), rel=0.05)
    assert 0.4 < b["sd lot x"].median() < 1.3 and b["cor lot x"].median() < -0.9
    chance = [post.predict(rows.head(20)) for post, rows in ((one, data), (other, far))]
    np.testing.assert_allclose(chance[0].mean(axis=0), chance[1].mean(axis=0), atol=0.01)
    rows = pd.DataFrame({"x": [0.0, 1.5], "grade": "a"})
    new = [one.predict(rows, "lot"), other.predict(rows.assign(x=rows["x"] + 10.0), "lot")]
    np.testing.assert_allclose(new[0].std(axis=0), new[1].std(axis=0), rtol=0.05)
    again = other.draws(30_000)
    assert again["sd lot x"].mean() == pytest.approx(b["sd lot x"].mean(), rel=0.1)


def test_at_a_prompt_a_posterior_shows_its_summary():
    post = design_posterior(
        one_group(np.tile([1.0, 0.0], 30), np.repeat(np.arange(6), 10)), "binomial", Priors()
    )
    assert repr(post) == post.summary().to_string()


def test_coordinates_of_a_covariance_give_it_back():
    """Three correlated columns: sds and partial correlations of F F', then their factor again."""
    rng = np.random.default_rng(4)
    basis = np.column_stack([np.ones(30), rng.normal(size=(30, 2))])
    term = RandomTerm("lot", tuple("abcde"), np.arange(30) % 5, ("Intercept", "x", "z"), basis)
    scales = Scales.of((term,), Priors(), residual=False)
    factors, points = rng.normal(size=(50, 3, 3)), np.zeros((50, scales.size))
    scales.put(points, 0, factors)
    (lower,) = scales.lambdas(points)
    expected = factors @ factors.transpose(0, 2, 1)
    np.testing.assert_allclose(lower @ lower.transpose(0, 2, 1), expected, atol=1e-9)


def test_a_group_with_no_spread_reaches_zero():
    """Where the estimate is 0 the posterior's density at 0 is finite and draws come close to it."""
    y = np.tile([1.0, 0.0], 60)
    post = design_posterior(one_group(y, np.repeat(np.arange(6), 20)), "binomial", Priors())
    sd = post.draws(20_000)["sd lot"]
    shares = np.histogram(sd, bins=[0, 0.05, 0.10, 0.15])[0]
    assert shares.min() > 0.8 * shares.max()  # flat next to zero, neither piled up nor empty


def test_every_reed_a_success():
    """No maximum of the likelihood, a posterior all the same."""
    post = design_posterior(
        one_group(np.ones(40), np.repeat(np.arange(4), 10)), "binomial", Priors()
    )
    low = post.summary(0.95).loc["Intercept", "low"]
    assert 1.0 < low < 4.0
    assert post.sample.pareto_k < 0.7


def test_a_gaussian_response_without_scatter_is_refused():
    lots = np.repeat(np.arange(5), 8)
    with pytest.raises(ModelError, match="the response is 3 in each of the 40 rows"):
        design_posterior(one_group(np.full(40, 3.0), lots), "gaussian", Priors())
    with pytest.raises(ModelError, match="the response is 3 in each"):
        Priors.default("gaussian", np.full(40, 3.0))
    by_lot = np.array([0.1, 0.7, -0.3, 0.2, 0.5])[lots]  # all of it the lot's
    with pytest.raises(ModelError, match="explain the response all but exactly"):
        design_posterior(one_group(by_lot, lots), "gaussian", Priors())


def test_more_sds_than_the_lattice_holds_are_refused():
    lots = np.repeat(np.arange(4), 6)
    names = tuple(f"x{j}" for j in range(7))
    basis = np.random.default_rng(1).normal(size=(24, 7))
    term = RandomTerm("lot", ("a", "b", "c", "d"), lots, names, basis, correlated=False)
    design = Design(np.tile([0.0, 1.0], 12), np.ones((24, 1)), ("Intercept",), (term,))
    with pytest.raises(ModelError, match=r"7 standard deviations and correlations .*at most 6"):
        design_posterior(design, "binomial", Priors())


def test_counts_say_the_same_as_rows():
    rng = np.random.default_rng(2)
    lots, trials = 8, 12
    successes = rng.binomial(trials, expit(rng.normal(0, 0.8, lots)))
    rows = np.concatenate([np.repeat([1.0, 0.0], [k, trials - k]) for k in successes])
    by_row = one_group(rows, np.repeat(np.arange(lots), trials))
    by_lot = one_group(successes.astype(float), np.arange(lots))
    by_lot = Design(
        by_lot.y, by_lot.X, by_lot.fixed_names, by_lot.terms, trials=np.full(lots, float(trials))
    )
    a = design_posterior(by_row, "binomial", Priors()).draws()
    b = design_posterior(by_lot, "binomial", Priors()).draws()
    pd.testing.assert_frame_equal(a, b, atol=1e-6, rtol=1e-6)


def test_seed_gives_the_same_numbers(success, bench):
    again = fit(FORMULAS["binomial"], bench, family="binomial").posterior(seed=3)
    np.testing.assert_allclose(success.draws(), again.draws(), atol=1e-10)
    other = fit(FORMULAS["binomial"], bench, family="binomial").posterior(seed=4)
    assert not np.allclose(success.draws(), other.draws())


def test_rows_in_another_order_move_only_the_noise(bench):
    formula = FORMULAS["binomial"]
    a = fit(formula, bench, family="binomial").posterior()
    b = fit(formula, bench.sample(frac=1.0, random_state=1), family="binomial").posterior()
    assert np.max(np.abs(a.summary()["mean"] - b.summary()["mean"]) / a.summary()["sd"]) < 0.05


def test_predict_known_lot_is_draws_put_together(success):
    row = pd.DataFrame(
        {"maker": ["TL"], "density_g_cm3": [0.6], "supplier": ["blue"], "lot": ["blue-2"]}
    )
    draws = success.draws()
    eta = draws["Intercept"] + draws["maker[T.TL]"] + 0.6 * draws["density_g_cm3"]
    eta += success.levels_draws("supplier")["blue"]
    eta += success.levels_draws("supplier:lot")["blue:blue-2"]
    np.testing.assert_allclose(success.predict(row)[:, 0], expit(eta))


def test_predict_new_lots(success):
    """A new lot spreads more than a known one; rows of one new lot share its effect."""
    rows = pd.DataFrame({"maker": "TL", "density_g_cm3": 0.55, "supplier": ["blue", "blue"]})
    apart = success.linear_predictor(rows, new_levels="lot")
    together = success.linear_predictor(rows.assign(lot="next"), new_levels=("lot",))
    assert np.allclose(together[:, 0], together[:, 1])
    assert np.corrcoef(apart.T)[0, 1] < 0.95
    draws = success.draws()
    supplier = draws["Intercept"] + draws["maker[T.TL]"] + 0.55 * draws["density_g_cm3"]
    supplier += success.levels_draws("supplier")["blue"]
    added = apart[:, 0] - supplier
    assert added.std() == pytest.approx(np.sqrt((draws["sd supplier:lot"] ** 2).mean()), rel=0.06)
    assert abs(added.mean()) < 4 * added.std() / np.sqrt(len(added))


def test_new_supplier_brings_new_lots(success):
    row = pd.DataFrame({"maker": ["TL"], "density_g_cm3": [0.55]})
    eta = success.linear_predictor(row, new_levels="supplier")
    draws = success.draws()
    both = (draws["sd supplier"] ** 2 + draws["sd supplier:lot"] ** 2).mean()
    centre = draws["Intercept"] + draws["maker[T.TL]"] + 0.55 * draws["density_g_cm3"]
    assert (eta[:, 0] - centre).std() == pytest.approx(np.sqrt(both), rel=0.06)


def test_predict_refuses(success):
    row = pd.DataFrame(
        {"maker": ["TL"], "density_g_cm3": [0.55], "supplier": ["violet"], "lot": ["violet-1"]}
    )
    with pytest.raises(PredictionError, match=r"supplier.*new_levels"):
        success.predict(row)
    with pytest.raises(PredictionError, match="shade"):
        success.predict(row, new_levels="shade")
    with pytest.raises(ModelError, match=r"maker.*supplier"):
        success.levels_draws("maker")


def test_priors_can_be_replaced(bench):
    model = fit("success ~ 1 + (1 | supplier/lot)", bench, family="binomial")
    tight = model.posterior(priors=Priors(by_group={"supplier": 0.02}))
    assert tight.summary().loc["sd supplier", "high"] < 0.06
    wide = model.posterior(priors=Priors().scaled(2.0)).summary()
    usual = model.posterior().summary()
    assert wide.loc["sd supplier", "mean"] > usual.loc["sd supplier", "mean"]
    with pytest.raises(ModelError, match="sd_scale"):
        Priors(sd_scale=0.0)
    short = model.posterior(priors=Priors(by_group={"lot": 0.02})).summary()
    assert short.equals(model.posterior(priors=Priors(by_group={"supplier:lot": 0.02})).summary())
    with pytest.raises(ModelError, match=r"priors= is a dict: write rl.Priors"):
        model.posterior(priors={"sd_scale": 0.5})
    with pytest.raises(ModelError, match=r"by_group names 'lots': .* are supplier, supplier:lot"):
        model.posterior(priors=Priors(by_group={"lots": 0.02}))


def test_a_response_ten_times_as_large_has_a_posterior_ten_times_as_wide():
    rng = np.random.default_rng(4)
    lot = np.repeat(np.arange(6), 10)
    y = 50 + rng.normal(0, 3, 6)[lot] + rng.normal(0, 5, 60)
    data = pd.DataFrame({"y": y, "tenfold": 10 * y, "log_y": y, "lot": lot.astype(str)})
    one, ten, renamed = (
        posterior(fit(f"{name} ~ 1 + (1 | lot)", data).fitted).draws()
        for name in ("y", "tenfold", "log_y")
    )
    np.testing.assert_allclose(10 * one, ten, rtol=1e-12)
    pd.testing.assert_frame_equal(one, renamed, check_exact=True)
