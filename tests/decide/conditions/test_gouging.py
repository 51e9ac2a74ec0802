"""The gouger's drift, uneven lots and the workshop's air, on benches whose truth is known."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from reedlab.cane.moisture import equilibrium_moisture_pct
from reedlab.decide.answer import Verdict
from reedlab.decide.conditions.gouging import Drift, _slope, _whitened, gouger, uneven_lots
from reedlab.decide.conditions.workshop_air import air
from reedlab.errors import DecisionError
from reedlab.mixed.gaps.measurement_error import ReadingError
from reedlab.records import Bench, Settings
from reedlab.records.settings import Usual

SHARPENED = pd.Timestamp("2025-01-01")


def bench(rng, slope=0.0, sessions=8, per_session=6, form="split", session_sd=0.003, **options):
    """Two set-ups of as many sessions each; under the first the centre thins or thickens."""
    day = pd.date_range("2024-07-01", periods=2 * sessions, freq="23D").repeat(per_session)
    n, hundreds = len(day), np.asarray((day - day[0]).days) / 100
    session = rng.normal(0, session_sd, 2 * sessions).repeat(per_session)
    moved = np.where(day < SHARPENED, slope * hundreds, 0.0)
    centre = 0.59 + moved + session + rng.normal(0, 0.006, n)
    half = rng.normal(0, 0.003, n)
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(n)],
            "lot": np.where(np.arange(n) % 2, "L1", "L2"),
            "measured_state": "gouged",
            "gouge_centre_mm": centre,
            "gouge_left_mm": 0.48 + half,
            "gouge_right_mm": 0.48 - half,
            "measured_on": day,
        }
    )
    lots = pd.DataFrame({"lot": ["L1", "L2"], "supplier": ["Ochre", "Slate"], "form": form})
    usual = (
        Usual(pd.Timestamp("2024-01-01").date(), {"gouger": "old edge"}),
        Usual(SHARPENED.date(), {"gouger": "new edge"}),
    )
    tables = {"lots": lots, "pieces": pieces, **options}
    return Bench.from_tables(tables, Settings(usual=usual), check=False)


def test_a_blade_that_wears_is_told_from_one_that_holds():
    found = gouger(bench(np.random.default_rng(1), slope=0.02), level=0.95)
    centre = found.table[found.table["reading"] == "centre thickness"].set_index("set_up")
    assert centre["drift"].to_dict() == {"old edge": Drift.DRIFTS, "new edge": Drift.STEADY}
    old = centre.loc["old edge"]
    assert old["low"] < 0.02 < old["high"] and old["sessions"] == 8 and old["pieces"] == 48
    assert found.drift is Drift.DRIFTS and found.verdict is Verdict.SURE
    decides = found.claims.iloc[0]
    assert decides["size"] == old["per_100_days_mm"] and decides["matters"]
    # From July to December it thickens by 0.02 mm in a hundred days: by more than 0.02 mm in all.
    assert decides["probability"] == old["prob"] > 0.9
    assert "old edge" in found.sentence() and "new edge" not in found.sentence()


def test_many_days_that_do_not_wander_have_the_slope_of_their_means():
    # A straight line through the days' means, with its t interval; the wider one allows for days
    # that wander, of which thirty days show that these do not.
    rng, ratios, days = np.random.default_rng(2), [], np.arange(30) * 9
    for _ in range(9):
        readings = 0.01 * days.repeat(6) / 100 + rng.normal(0, 0.01, 30).repeat(6)
        readings = readings + rng.normal(0, 0.006, 180)
        when = (pd.Timestamp("2025-01-01") + pd.to_timedelta(days, unit="D")).repeat(6)
        found = _slope(pd.DataFrame({"measured_on": when, "value": readings}), "value", 0.95)
        line = stats.linregress(days / 100, readings.reshape(30, 6).mean(axis=1))
        half = stats.t.ppf(0.975, 28) * line.stderr
        assert abs(found["per_100_days_mm"] - line.slope) < half
        ratios.append((found["high"] - found["low"]) / (2 * half))
    assert 1 < np.median(ratios) < 1.4


def test_days_that_wander_are_rarely_called_a_drift():
    """Each day keeps half of the last one's error: a line with independent days errs in 1 of 4."""
    rng, drifts, naive = np.random.default_rng(7), 0, 0
    for _ in range(150):
        day = np.empty(10)
        day[0] = rng.normal()
        for j in range(1, 10):
            day[j] = 0.5 * day[j - 1] + np.sqrt(0.75) * rng.normal()
        when = pd.date_range("2025-01-01", periods=10, freq="23D")
        readings = 0.59 + 0.006 * day.repeat(6) + rng.normal(0, 0.006, 60)
        pieces = pd.DataFrame({"measured_on": when.repeat(6), "value": readings})
        drifts += _slope(pieces, "value", 0.9)["drift"] is Drift.DRIFTS
        means = readings.reshape(10, 6).mean(axis=1)
        line = stats.linregress(23 * np.arange(10), means)
        naive += line.pvalue < 0.1
    assert drifts <= 0.06 * 150 + 6  # 6 %, and two standard errors
    assert naive > 0.2 * 150


def test_a_steady_gouger_is_rarely_said_to_drift():
    drifts = 0
    for seed in range(20):
        slopes = gouger(
            bench(np.random.default_rng(seed), sessions=6, per_session=3), level=0.95
        ).table
        drifts += (slopes["low"] > 0).sum() + (slopes["high"] < 0).sum()
    # 80 intervals of 95 %: more than 11 that miss happen once in 700 times.
    assert drifts <= 11


def test_cane_bought_gouged_says_nothing_of_the_gouger():
    refused = gouger(bench(np.random.default_rng(3), form="gouged"))
    assert refused.unanswered and refused.verdict is Verdict.CANNOT_SAY
    few = gouger(bench(np.random.default_rng(3), sessions=1))
    assert (few.table["drift"] == Drift.CANNOT_SAY).all() and few.verdict is Verdict.CANNOT_SAY
    assert [*refused.table] == [*few.table] and [*refused.pieces] == [*few.pieces]


def test_a_reeds_own_note_of_the_set_up_goes_before_the_usual():
    reeds = pd.DataFrame({"reed": ["1"], "piece": ["P0"], "lot": ["L2"], "maker": ["KL"]})
    reeds = reeds.assign(tied_on=pd.Timestamp("2024-07-02"), gouger="lent")
    pieces = gouger(bench(np.random.default_rng(4), reeds=reeds)).pieces
    assert pieces.set_index("piece")["set_up"][["P0", "P1"]].tolist() == ["lent", "old edge"]


def lots_of(rng, sds, pieces=40):
    lot = np.repeat([f"L{i}" for i in range(len(sds))], pieces)
    rows = pd.DataFrame({"piece": [f"P{i}" for i in range(len(lot))], "lot": lot})
    rows["hardness"] = rng.normal(14, np.repeat(sds, pieces))
    lots = pd.DataFrame({"lot": sorted(set(lot)), "supplier": "Ochre"})
    return Bench.from_tables({"lots": lots, "pieces": rows}, check=False)


def test_an_uneven_lot_is_named_and_its_error_taken_out():
    made = lots_of(np.random.default_rng(5), [1.0, 1.0, 1.0, 2.5])
    found = uneven_lots(made, "hardness", reading_error=0.6, level=0.95)
    studied = uneven_lots(made, "hardness", reading_error=ReadingError(0.6, df=30), level=0.95)
    assert studied.table["piece_sd"].tolist() == found.table["piece_sd"].tolist()
    assert found.table["uneven"].tolist() == [True, False, False, False]
    first = found.table.iloc[0]
    assert first["lot"] == "L3" and "L3 (Ochre" in found.sentence() and found.p_alike < 0.001
    assert found.verdict is Verdict.SURE and found.claims["grade"].tolist() == [
        Verdict.SURE,
        *[Verdict.CANNOT_SAY] * 3,
    ]
    assert found.claims["size"].iloc[0] == pytest.approx(first["sd"] / first["others_sd"])
    assert first["piece_sd"] == pytest.approx(np.sqrt(first["sd"] ** 2 - 0.36))
    others = made.cane[made.cane["lot"] != "L3"].groupby("lot", observed=True)["hardness"]
    assert first["others_sd"] == pytest.approx(np.sqrt(others.var().mean()))
    # The interval of a normal sd, from the χ² of its variance.
    low = first["sd"] * np.sqrt(39 / stats.chi2.ppf(0.975, 39))
    assert first["low"] == pytest.approx(low)


def test_even_lots_are_rarely_called_uneven():
    named = sum(
        uneven_lots(lots_of(np.random.default_rng(seed), [1.0] * 6, 12), "hardness", level=0.95)
        .table["uneven"]
        .any()
        for seed in range(60)
    )
    assert named <= 6  # 2.5 % of benches are expected; more than 6 of 60 once in 1,000
    few = lots_of(np.random.default_rng(1), [1.0, 1.0], 4)
    refused = uneven_lots(few, "hardness")
    assert refused.unanswered and "sd" in refused.table
    with pytest.raises(DecisionError, match="no measured column 'colour'"):
        uneven_lots(few, "colour")


def test_a_few_wild_readings_make_no_lot_uneven():
    """Student's t with 3 df, the same in every lot: an interval of a normal sd named 2 in 5."""
    named, rng = 0, np.random.default_rng(11)
    for _ in range(60):
        made = lots_of(rng, [1.0] * 8, 10)
        made.cane["hardness"] = 14 + rng.standard_t(3, 80)
        named += uneven_lots(made, "hardness").table["uneven"].any()
    assert named <= 8  # 5 % are expected; more than 8 of 60 once in 200


def test_the_workshops_months_are_the_means_of_its_readings():
    time = pd.date_range("2024-11-01", "2025-01-31 18:00", freq="6h")
    time = time[(time < "2024-12-10") | (time >= "2024-12-24")]
    rh = np.where(time < "2024-12-01", 60.0, 35.0)
    logged = pd.DataFrame({"time": time, "rh_pct": rh, "temp_c": 20.0})
    tables = {"lots": pd.DataFrame({"lot": ["L1"], "supplier": ["Ochre"]}), "air": logged}
    settings = Settings(heated=(("12-01", "03-01"),))
    found = air(Bench.from_tables(tables, settings, check=False), level=0.8)
    expected = equilibrium_moisture_pct([60.0, 35.0, 35.0], 20.0)
    np.testing.assert_allclose(found.table["moisture_pct"], expected)
    assert found.table["heated"].tolist() == [0.0, 1.0, 1.0]
    assert found.table["readings"].tolist() == [120, 68, 124]
    assert found.silences["days"].tolist() == [14]
    assert found.verdict is Verdict.DESCRIBES and found.logged
    said = found.sentence()
    assert "dampest in November 2024" in said and "drier while the room is heated" in said
    assert "14 days" in said and found.record_next.more


def test_without_a_logger_the_notes_on_reeds_serve_and_without_them_it_is_said():
    reeds = pd.DataFrame({"reed": ["1", "2"], "lot": "L1", "maker": "KL", "outcome": "good"})
    reeds = reeds.assign(tied_on=["2024-05-01", "2024-06-02"], rh_pct=[40, 60])
    tables = {"lots": pd.DataFrame({"lot": ["L1"], "supplier": ["Ochre"]}), "reeds": reeds}
    found = air(Bench.from_tables(tables, check=False), level=0.8)
    assert not found.logged and len(found.table) == 2
    bare = air(Bench.from_tables({**tables, "reeds": reeds.drop(columns="rh_pct")}))
    assert bare.unanswered and bare.verdict is Verdict.CANNOT_SAY
    for name, frame in found.tables.items():
        assert [*bare.tables[name]] == [*frame], name


def test_day_by_day_is_the_whole_matrix_at_once():
    rng = np.random.default_rng(5)
    days, columns = np.cumsum(rng.integers(1, 9, 30)), rng.normal(size=(30, 3))
    error, variance, memory = rng.uniform(0.2, 2.0, 30), np.array([0.0, 0.5, 3.0]), 6.0
    alike = np.exp(-np.abs(days[:, None] - days) / memory)
    log_det, cross = _whitened(columns, np.exp(-np.diff(days) / memory), variance, error)
    for v, found, crossed in zip(variance, log_det, cross):
        whole = v * alike + np.diag(error)
        assert found == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
        assert crossed == pytest.approx(columns.T @ np.linalg.solve(whole, columns), rel=1e-10)


def test_pieces_of_a_lot_that_read_alike_make_no_lot_uneven():
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(18)],
            "lot": np.repeat(["L1", "L2", "L3"], 6),
            "hardness": np.repeat([9.0, 10.0, 11.0], 6),
        }
    )
    lots = pd.DataFrame({"lot": ["L1", "L2", "L3"], "supplier": "teal"})
    same = Bench.from_tables({"lots": lots, "pieces": pieces})
    assert "No two pieces of a lot differ in hardness" in uneven_lots(same, "hardness").unanswered
    pieces.loc[0, "hardness"] = 9.5  # and of one lot they do
    one = uneven_lots(Bench.from_tables({"lots": lots, "pieces": pieces}), "hardness")
    assert one.table["lot"].iloc[0] == "L1" and not one.unanswered
