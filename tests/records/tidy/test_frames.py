"""Tidy frames: joins, derived columns, shared minutes, losses and the cutoff."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from reedlab.records import Bench, Settings, open_bench
from reedlab.records.settings import Usual
from reedlab.records.tidy.pending_cutoff import cutoff, still_pending

LOTS = pd.DataFrame({"lot": ["L1", "L2"], "supplier": ["Ochre", "Umber"], "form": "tube"})


def reeds(**columns) -> pd.DataFrame:
    n = max(len(values) for values in columns.values() if isinstance(values, list))
    usual = {
        "reed": [str(i) for i in range(1, n + 1)],
        "lot": "L1",
        "maker": "KL",
        "tied_on": "2021-01-04",
        "outcome": None,
    }
    return pd.DataFrame(usual | columns)


def bench(settings=None, **tables) -> Bench:
    return Bench.from_tables({"lots": LOTS} | tables, settings)


def test_a_lot_is_reached_directly_or_through_the_piece():
    pieces = pd.DataFrame({"piece": ["P1"], "lot": ["L2"], "tube": ["T4"], "hardness": [11.0]})
    made = bench(reeds=reeds(lot=["L1", None, None], piece=[None, "P1", "P9"]), pieces=pieces)
    assert made.reeds["lot"].astype(object).tolist()[:2] == ["L1", "L2"]
    assert made.reeds["supplier"].astype(object).tolist()[:2] == ["Ochre", "Umber"]
    assert made.reeds["supplier"].isna().tolist() == [False, False, True]
    assert made.reeds["tube"].isna().tolist() == [True, False, True]
    assert made.reeds["hardness"].tolist()[1] == 11.0
    assert made.cane["supplier"].tolist() == ["Umber"]
    assert made.cane["reeds"].tolist() == [1]


def test_success_is_what_the_maker_says_and_pending_is_neither():
    outcome = ["good", "playable", "reject", None]
    made = bench(reeds=reeds(outcome=outcome))
    assert made.reeds["status"].tolist() == ["success", "failure", "failure", "pending"]
    np.testing.assert_array_equal(made.reeds["success"], [1, 0, 0, np.nan])
    kinder = bench(Settings(success={"good", "playable"}), reeds=reeds(outcome=outcome))
    np.testing.assert_array_equal(kinder.reeds["success"], [1, 1, 0, np.nan])


def test_seasons_heating_and_the_place_in_the_year():
    days = ["2021-01-01", "2021-04-15", "2021-07-02", "2021-10-20"]
    settings = Settings(heated=(("10-15", "04-15"),))
    frame = bench(settings, reeds=reeds(tied_on=days)).reeds
    assert frame["season"].tolist() == ["winter", "spring", "summer", "autumn"]
    assert frame["heated"].tolist() == [True, True, False, True]
    np.testing.assert_allclose(frame["year_cos"], np.cos(2 * np.pi * np.array([0, 104, 182, 292])
                                                         / 365.2425))  # fmt: skip
    south = bench(Settings(hemisphere="south"), reeds=reeds(tied_on=days)).reeds
    assert south["season"].tolist() == ["summer", "autumn", "winter", "spring"]
    one = Settings(heated=(("2021-04-01", "2021-07-02"),))
    assert bench(one, reeds=reeds(tied_on=days)).reeds["heated"].tolist() == [False, True, True, 0]


def test_what_is_usual_fills_cells_from_its_day_on_and_rows_keep_exceptions():
    from datetime import date

    settings = Settings(
        usual=(
            Usual(date(2021, 1, 1), {"staple_mm": 47, "shape": "B2"}),
            Usual(date(2021, 3, 1), {"staple_mm": 46}),
        )
    )
    days = ["2020-12-31", "2021-01-01", "2021-02-28", "2021-03-01"]
    frame = bench(settings, reeds=reeds(tied_on=days, staple_mm=[None, None, 45, None])).reeds
    np.testing.assert_array_equal(frame["staple_mm"], [np.nan, 47, 45, 46])
    assert frame["shape"].astype(object).tolist()[1:] == ["B2", "B2", "B2"]


def test_the_air_of_the_day_of_the_rough_scrape():
    air = pd.DataFrame(
        {
            "time": ["2021-01-04 09:00", "2021-01-04 15:00", "2021-01-06 12:00"],
            "rh_pct": [30, 40, 60],
            "temp_c": [20, 22, 18],
        }
    )
    rows = reeds(rough_on=["2021-01-06", None, None], rh_pct=[None, None, 50])
    frame = bench(reeds=rows, air=air).reeds
    assert frame["rh_pct"].tolist() == [60, 35, 50]  # its own reading comes first
    assert frame["temp_c"].tolist() == [18, 21, 21]
    # USDA Wood Handbook (FPL-GTR-282), Table 4-2 at 21.1 °C and 50 %: 9.2 % (from memory)
    assert frame["moisture_pct"].iloc[2] == pytest.approx(9.2, abs=0.3)


def test_one_time_for_both_scrapes_is_a_reeds_time_where_they_are_not_timed_apart():
    rows = reeds(
        scrape_min=[50, 80, 60, 12],
        rough_min=[None, 20, 20, None],
        finish_min=[None, 30, None, None],
        outcome=["good", "good", "good", "given_up"],
    )
    sittings = pd.DataFrame({"date": ["2021-01-05"], "maker": "KL", "reeds": "1; 2", "minutes": 90})
    one = bench(reeds=rows, sittings=sittings)
    assert one.reeds["scrape_min"].tolist() == [50, 50, 60, 12]
    assert not one.reeds["minutes_shared"].any()
    np.testing.assert_array_equal(one.reeds["finish_min"], [np.nan, 30, np.nan, np.nan])
    differ = one.findings.query("column == 'scrape_min' and severity == 'warning'")
    assert differ["row"].tolist() == [3]


def test_minutes_of_a_batch_are_shared_out_and_marked():
    sittings = pd.DataFrame(
        {
            "date": ["2021-01-05", "2021-01-06", "2021-01-07", "2021-01-08"],
            "maker": "KL",
            "stage": ["rough", "finish", "finish", "rough"],
            "reeds": ["1, 2; 3", "1,2", "2;", "4;"],
            "minutes": [60, 30, 12, 10],
        }
    )
    rows = reeds(
        rough_min=[None, None, 14, None],
        outcome=["good", "good", "given_up", "reject"],
    )
    frame = bench(reeds=rows, sittings=sittings).reeds
    assert frame["rough_min"].tolist() == [20, 20, 14, 10]  # its own minutes stand
    np.testing.assert_array_equal(frame["finish_min"], [15, 27, np.nan, np.nan])
    # given up: what had been spent; a reject that was finished but not timed: not known
    np.testing.assert_array_equal(frame["scrape_min"], [35, 47, 14, np.nan])
    assert frame["minutes_shared"].tolist() == [True, True, False, True]
    np.testing.assert_allclose(frame["log_scrape_min"], np.log(frame["scrape_min"]))


def test_a_batch_that_counts_its_reeds_goes_to_those_of_that_day_and_maker():
    sittings = pd.DataFrame(
        {"date": ["2021-01-05"] * 2, "maker": ["KL", "MR"], "stage": "rough", "reeds": ["3", "1"],
         "minutes": [60, 30]}
    )  # fmt: skip
    rows = reeds(maker=["KL", "KL", "MR", "MR"], rough_on="2021-01-05")
    made = bench(reeds=rows, sittings=sittings)
    frame = made.reeds
    # one reed of the three is not in the records; two reeds of MR cannot share a batch of one
    np.testing.assert_array_equal(frame["rough_min"], [20, 20, np.nan, np.nan])
    said = made.findings.query("table == 'sittings'")
    assert said["row"].tolist() == [3]
    assert said[["column", "value", "severity"]].values.tolist() == [["reeds", "1", "warning"]]


def test_a_batch_of_no_stage_counts_for_the_whole_scrape():
    sittings = pd.DataFrame({"date": ["2021-01-05"], "maker": "KL", "reeds": "1; 2", "minutes": 90})
    frame = bench(reeds=reeds(outcome=["good", "good"]), sittings=sittings).reeds
    assert frame["scrape_min"].tolist() == [45, 45]
    assert frame["rough_min"].isna().all()


def test_density_takes_the_surest_route_and_says_which():
    pieces = pd.DataFrame(
        {
            "piece": ["given", "float", "volume", "shaped", "none"],
            "lot": "L1",
            "measured_state": ["gouged", "gouged", "gouged", "shaped", None],
            "density_g_cm3": [0.5, None, None, None, None],
            "float_submerged_mm": [None, 41.0, None, None, None],
            "length_mm": [75.0] * 4 + [None],
            "width_mm": [None, None, 8.9, 8.0, None],
            "diameter_mm": 10.25,
            "gouge_centre_mm": 0.59,
            "gouge_left_mm": 0.48,
            "gouge_right_mm": 0.47,
            "gouge_side_at_mm": 3.5,
            "mass_g": [None, None, 0.21, 0.2, None],
        }
    )
    cane = bench(pieces=pieces).cane
    assert cane["density_route"].astype(object).tolist()[:3] == ["given", "float", "volume"]
    assert cane["density_route"].isna().tolist() == [False, False, False, True, True]
    assert cane["density_g_cm3"].iloc[0] == 0.5
    # Archimedes: submerged share times the density of water at 20 °C, 0.9982 (CRC Handbook)
    assert cane["density_g_cm3"].iloc[1] == pytest.approx(41 / 75 * 0.9982, abs=0.002)
    assert cane["density_g_cm3"].iloc[2] == pytest.approx(
        0.21 / cane["volume_mm3"].iloc[2] * 1000, rel=1e-12
    )
    assert np.isnan(cane["volume_mm3"].iloc[3])  # a shaped piece has no parallel edges
    np.testing.assert_allclose(cane["gouge_asymmetry_mm"], 0.01)


FREIREICH = (
    [6, 6, 6, 7, 10, 13, 16, 22, 23],
    [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35],
)
"""Weeks to relapse and weeks censored: 6-mercaptopurine in Freireich et al. (1963), Blood 21, 699,
as Gehan (1965), Biometrika 52, 203 gives them."""


def test_the_wait_is_a_percentile_of_the_kaplan_meier_curve():
    """Freireich's trial: the curve falls to 0.538 at 22 and 0.448 at 23, so the median is 23."""
    known, censored = FREIREICH
    ended = np.repeat([True, False], [len(known), len(censored)])
    days, share = still_pending(np.array([*known, *censored], dtype=float), ended)
    np.testing.assert_allclose(share[days == 22], 0.538, atol=5e-4)
    np.testing.assert_allclose(share[days == 23], 0.448, atol=5e-4)
    curve = stats.ecdf(stats.CensoredData(uncensored=known, right=censored)).sf
    np.testing.assert_array_equal(days, curve.quantiles[np.isin(curve.quantiles, known)])
    np.testing.assert_allclose(share, curve.evaluate(days), rtol=1e-12)


def test_reeds_still_waiting_make_the_wait_longer():
    """Rejects are known in a week and good reeds in a month: pending reeds must count."""
    last = pd.Timestamp("2021-12-31")
    days = [100] * 60 + [90] * 30 + [20] * 10
    waits = [7] * 60 + [30] * 30 + [None] * 10
    tied = [last - pd.Timedelta(days=d) for d in days]
    judged = [t + pd.Timedelta(days=w) if w else None for t, w in zip(tied, waits)]
    rows = reeds(
        tied_on=tied,
        judged_on=judged,
        finished_on=[last] + [None] * 99,  # the records' last day
        outcome=["reject"] * 60 + ["good"] * 30 + [None] * 10,
    )
    made = Bench.from_tables({"reeds": rows}, check=False)
    assert cutoff(made.tables["reeds"]).wait_days == 30
    assert made.cutoff == last - pd.Timedelta(days=30)
    assert made.reeds["settled"].tolist() == [True] * 90 + [False] * 10


def test_where_the_wait_cannot_be_told_all_count_and_it_is_said():
    made = bench(reeds=reeds(outcome=["good", "reject", None]))
    assert made.reeds["settled"].all()
    said = made.findings[made.findings["row"].isna()]
    assert said[["column", "severity"]].values.tolist() == [["judged_on", "warning"]]


def test_losses_before_tying_from_a_tally():
    """100 split pieces: 80 after sorting; 40 of them gouged so far, 30 kept. 0.8 x 0.75 = 0.6."""
    tally = pd.DataFrame(
        {
            "lot": "L1",
            "date": "2021-01-02",
            "stage": ["sort", "gouge", "gouge", "tie"],
            "pieces_in": [100, 20, 20, 30],
            "pieces_out": [80, 14, 16, 29],
            "minutes": [50, 60, None, 90],
        }
    )
    row = bench(reeds=reeds(outcome=["good"] * 6), tally=tally).losses.iloc[0]
    assert row["pieces_in"] == 100
    assert row["pieces_lost"] == 20 + 10  # at tying a reed's own row tells
    assert row["yield_before_tying"] == pytest.approx(0.8 * 30 / 40)
    assert row["minutes_before_tying"] == 110
    # half a minute a piece sorted, 50/80 for each kept, over the gouging's yield; 60/14 to gouge
    assert row["minutes_per_tied"] == pytest.approx(50 / 80 / 0.75 + 60 / 14)
    assert row["pieces_tied"] == 6


def test_losses_before_tying_from_pieces_where_nothing_was_tallied():
    pieces = pd.DataFrame({"piece": list("ABC"), "lot": "L1", "lost_at": ["gouge", "tie", None]})
    frame = bench(reeds=reeds(outcome=["good"] * 4), pieces=pieces).losses
    assert frame["pieces_lost"].tolist()[0] == 1
    assert frame["yield_before_tying"].iloc[0] == pytest.approx(1 - 1 / 5)
    assert np.isnan(frame["yield_before_tying"].iloc[1])


def test_what_a_lot_cost_and_how_many_pieces_it_was():
    lots = pd.DataFrame(
        {
            "lot": ["a", "b", "c", "d"],
            "supplier": "Ochre",
            "form": ["gouged", "tube", "tube", "split"],
            "quantity": [50, 20, 300, 30],
            "quantity_unit": ["piece", "tube", "g", None],
            "price": [100.0, 60.0, 50.0, None],
            "freight": [10.0, None, 5.0, 3.0],
        }
    )
    frame = Bench.from_tables({"lots": lots}).losses
    np.testing.assert_array_equal(frame["pieces_bought"], [50, 60, np.nan, 30])
    np.testing.assert_array_equal(frame["cost_landed"], [110, 60, 55, np.nan])
    np.testing.assert_array_equal(frame["cost_per_piece"], [2.2, 1.0, np.nan, np.nan])


def test_a_retied_reed_is_not_another_piece():
    rows = reeds(retie_of=[None, "1", None], outcome=["reject", "good", "good"])
    assert bench(reeds=rows).losses["pieces_tied"].iloc[0] == 2


def test_an_empty_bench_has_every_column():
    made = Bench.from_tables({})
    full = bench(reeds=reeds(outcome=["good"]))
    assert made.reeds.columns.tolist() == full.reeds.columns.tolist()
    assert made.reeds.dtypes.astype(str).to_dict() == full.reeds.dtypes.astype(str).to_dict()
    assert made.losses.columns.tolist() == full.losses.columns.tolist()


def test_lots_without_a_label_are_named_and_left_out_of_the_losses():
    lots = pd.DataFrame({"lot": ["L1", None, None], "supplier": "Ochre"})
    pieces = pd.DataFrame({"piece": ["A"], "lot": "L1", "lost_at": "gouge"})
    made = Bench.from_tables({"lots": lots, "pieces": pieces})
    assert made.losses["lot"].tolist() == ["L1"]
    assert made.findings.query("column == 'lot'")["row"].tolist() == [3, 4]


def test_a_bench_at_a_prompt_is_one_line_without_its_rows(tmp_path):
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,Ochre\n")
    (tmp_path / "reeds.csv").write_text("reed,lot,customer\n1,L1,AB\n2,L1,AB\n")
    shown = repr(open_bench(tmp_path, today="2026-03-05"))
    assert shown == f"Bench {tmp_path.name}: lots 1, pieces 0, reeds 2; today is 2026-03-05"
    assert repr(bench()).startswith("Bench of frames: ") and "\n" not in repr(bench())
