"""What goes with the season: known curves come back, confounding is seen, few reeds are refused."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

import reedlab as rl
from reedlab.cane.moisture import year_cos_sin
from reedlab.decide.answer import Verdict
from reedlab.decide.conditions import season_effects
from reedlab.decide.conditions.season_effects import seasons, settings_by_moisture
from reedlab.decide.conditions.smooth import contrast, curve, fit_smooth, variance_ratio
from reedlab.records import Bench
from reedlab.simulate import World


def made_up(seed=1, n=1600, lots=20, minutes=False, by_supplier=False):
    """Reeds whose success is best at 9 per cent moisture and whose minutes swing with the year."""
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(lots), n // lots)
    day = rng.integers(0, 365, n)
    moisture = np.clip(rng.normal(9.0, 1.4, n), 5, 13)
    if by_supplier:
        moisture = 7.0 + 1.2 * (lot % 4) + rng.normal(0, 0.15, n)
    dates = pd.Series(pd.Timestamp("2024-01-01") + pd.to_timedelta(day, unit="D"))
    cos, sin = year_cos_sin(dates)
    logit = 0.9 - 0.25 * (moisture - 9.0) ** 2 + rng.normal(0, 0.5, lots)[lot]
    return pd.DataFrame(
        {
            "lot": [f"L{i}" for i in lot],
            "supplier": [f"S{i % 4}" for i in lot],
            "maker": "KL",
            "success": (rng.random(n) < expit(logit)).astype(float),
            "log_scrape_min": np.log(32) + 0.15 * cos + rng.normal(0, 0.2, n),
            "moisture_pct": moisture,
            "year_cos": cos,
            "year_sin": sin,
            "gouge_centre_mm": np.nan,
            "tip_thickness_mm": np.nan,
            "back_thickness_mm": np.nan,
            "heart_thickness_mm": 0.5 - 0.006 * moisture + rng.normal(0, 0.01, n),
        }
    )


@cache
def answer(**effects):
    return seasons(rl.simulate_bench(seed=4, world=World(**effects))[0])


def test_a_curve_that_bends_comes_back_within_its_band():
    found = curve(fit_smooth(made_up(), "success", "moisture"), np.linspace(6.5, 11.5, 11), 0.95)
    nodes, weights = np.polynomial.hermite_e.hermegauss(31)
    logit = 0.9 - 0.25 * (found["at"].to_numpy() - 9.0) ** 2
    truth = expit(logit[:, None] + 0.5 * nodes) @ (weights / weights.sum())
    inside = (found["low"] <= truth) & (truth <= found["high"])
    assert inside.mean() >= 0.9
    assert found.loc[found["value"].idxmax(), "at"] == pytest.approx(9.0, abs=0.75)


def test_the_years_swing_in_minutes_comes_back():
    smooth = fit_smooth(made_up(2), "minutes", "year")
    found = contrast(smooth, ("in winter", 0.0), ("in summer", 365.2425 / 2), level=0.95)
    assert found["low"] < np.exp(0.3) < found["high"]
    assert found["high"] / found["low"] < 1.1 and found["ratio"] < 1.1


def test_a_season_that_came_with_a_supplier_cannot_be_told():
    mixed = fit_smooth(made_up(3, n=400), "success", "moisture")
    apart = fit_smooth(made_up(3, n=400, by_supplier=True), "success", "moisture")
    ends = np.array([10.5, 7.5])
    assert variance_ratio(mixed, ends) < 1.5
    assert variance_ratio(apart, ends) > 4.0


def test_variance_ratio_is_that_of_least_squares():
    import statsmodels.api as sm

    rows = made_up(5, n=400)
    rows["maker"] = np.where(rows["moisture_pct"] + rows["year_cos"] > 9.3, "KL", "RS")
    smooth, ends = fit_smooth(rows, "success", "moisture"), np.array([11.0, 7.0])
    step = smooth.columns(ends)[0] - smooth.columns(ends)[1]
    spline = smooth.design[:, 1:4]
    factors = pd.get_dummies(rows[["supplier", "maker"]], drop_first=True, dtype=float)
    noise = np.random.default_rng(1).normal(size=400)
    variances = []
    for design in (spline, np.column_stack([spline, factors])):
        found = sm.OLS(noise, sm.add_constant(design)).fit()
        wanted = np.zeros(design.shape[1] + 1)
        wanted[1:4] = step[1:4]
        variances.append(wanted @ found.normalized_cov_params @ wanted)
    assert variance_ratio(smooth, ends) == pytest.approx(variances[1] / variances[0])
    assert variance_ratio(smooth, ends) > 1.3


def test_settings_follow_moisture_by_what_was_put_in():
    found = (
        settings_by_moisture(made_up(6), span=3.0).set_index("setting").loc["heart_thickness_mm"]
    )
    assert found["low"] < -0.006 < found["high"]
    assert found["damp_less_dry"] == pytest.approx(3 * found["per_pct"])


def test_the_answer_names_other_reasons_and_points_to_the_trial():
    found = answer()
    assert "the air need not be why" in found.sentence()
    assert "'reedlab trial'" in answer(moisture=0.6).record_next.what
    assert {"success", "minutes"} == set(found.table["measure"])
    assert (found.table["low"] < found.table["high"]).all()
    assert any("cane is not wood" in note for note in found.notes)
    assert len(found.settings) == 4


def test_a_strong_effect_of_the_air_is_told_and_none_is_not_invented():
    strong = answer(moisture=0.6)
    row = strong.table.query("measure == 'success' and over == 'moisture'").iloc[0]
    assert row["prob_matters"] > 0.9 and row["pooled"] > 0.05
    assert strong.verdict is Verdict.SURE and strong.claims["matters"].iloc[0]
    assert "more of 100 reeds turn out good than in dry air" in strong.sentence()
    nothing = answer(moisture=0.0, moisture_minutes=0.0)
    assert nothing.verdict is Verdict.CANNOT_SAY
    assert nothing.claims["probability"].iloc[0] == nothing.table["prob_matters"].max()
    assert len(nothing.claims) == len(nothing.table)
    # Pooled, an effect is nearer to none than alone.
    share = nothing.table[nothing.table["measure"] == "success"]
    assert (share["pooled"].abs() < share["effect"].abs()).all()


def changed(**columns):
    """The bench of the seasons with other columns in its reeds, or only some of them."""
    bench = rl.simulate_bench(seed=4)[0]
    reeds = bench.tables["reeds"].assign(**columns)
    keep = reeds.pop("keep") if "keep" in reeds else slice(None)
    return Bench.from_tables({**bench.tables, "reeds": reeds[keep]}, settings=bench.settings)


def test_a_season_without_reeds_is_not_spoken_of():
    """Winter reeds alone: the cosine and the sine would foretell July, and no record would."""
    found = seasons(changed(keep=lambda reeds: reeds["tied_on"].dt.month.isin([11, 12, 1])))
    assert set(found.table["over"]) == {"moisture"} == set(found.curves["over"])
    assert any("within 45 days of mid-July" in note for note in found.notes)
    half = seasons(changed(keep=lambda reeds: reeds["tied_on"].dt.month.isin([3, 4, 9, 10])))
    assert set(half.table.query("over == 'year'")["first"]) == {"in mid-April"}
    curve = half.curves.query("measure == 'success' and over == 'year'").set_index("at")["value"]
    assert curve.loc[[98.0, 287.0]].notna().all() and curve.loc[[0.0, 196.0]].isna().all()


def test_where_all_turned_out_good_only_the_minutes_are_asked():
    found = seasons(changed(outcome="good"))
    assert set(found.table["measure"]) == {"minutes"}
    assert any("reeds ended alike" in note for note in found.notes)


def test_settings_are_compared_within_lots():
    """A maker who sets the gouge by the lot, never by the day, does not follow the moisture."""
    rows = made_up(7, n=400)
    damp = rows.groupby("lot")["moisture_pct"].transform("mean")
    rows["moisture_pct"] += 5 * (damp - damp.mean())  # lots far apart in their air
    noise = np.random.default_rng(3).normal(0, 0.01, len(rows))
    rows["heart_thickness_mm"] = 0.5 - 0.02 * 5 * (damp - damp.mean()) + noise
    found = settings_by_moisture(rows, span=1.0).set_index("setting").loc["heart_thickness_mm"]
    assert found["low"] < 0.0 < found["high"] and abs(found["per_pct"]) < 0.002


def test_too_few_reeds_are_refused_with_what_to_record():
    small = rl.simulate_bench(seed=1, reeds=40, suppliers=2, lots=(2, 2), years=0.5)[0]
    found = seasons(small)
    assert found.unanswered and found.verdict is Verdict.CANNOT_SAY
    assert "over a whole year" in found.record_next.what
    for name, frame in answer().tables.items():
        assert [*found.tables[name]] == [*frame], name


@pytest.mark.parametrize(
    ("pooled", "low", "high", "ends"),
    [
        (
            -0.01,
            -0.11,
            0.03,
            "1 fewer of 100 reeds turn out good than in mid-July (3 more to 11 fewer)",
        ),
        (0.06, 0.012, 0.11, "6 more of 100 reeds turn out good than in mid-July (1 to 11)"),
        (0.06, -0.001, 0.11, "6 more of 100 reeds turn out good than in mid-July (0 to 11)"),
    ],
)
def test_a_range_over_none_names_both_ways(pooled, low, high, ends):
    row = {
        "measure": "success", "over": "year", "first": "in mid-January", "second": "in mid-July",
        "pooled": pooled, "pooled_low": low, "pooled_high": high, "usual": 0.5,
    }  # fmt: skip
    said = season_effects._in_words(row, (35.0, 58.0))
    assert said == f"In mid-January about {ends}."
