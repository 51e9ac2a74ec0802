"""Which supplier to buy from: on benches that can tell, that cannot, and beside another route."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.answer import Verdict, graded
from reedlab.decide.costs import Rates
from reedlab.decide.evidence import Evidence, before_tying, gather
from reedlab.decide.shared_models import models
from reedlab.decide.suppliers import comparison, turned
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.mixed import fit
from reedlab.mixed.posterior import kept
from reedlab.mixed.posterior.priors import Priors
from reedlab.records import Bench
from reedlab.report.words.printed_tables import plain, suppliers_in_words
from reedlab.simulate import World, simulate_reeds

CONTRACT = (
    "supplier lots reeds success success_low success_high stayed_good stayed_low stayed_high "
    "minutes cost cost_low cost_high prob_best"
)


def test_the_table_keeps_the_contract(answer, demo):
    table = answer.table
    assert " ".join(table.columns) == CONTRACT
    pd.testing.assert_frame_equal(rl.rank_suppliers(demo), table)
    assert set(table["supplier"]) == set(demo.reeds["supplier"].unique())
    assert table["prob_best"].sum() == pytest.approx(1.0)
    assert table["prob_best"].is_monotonic_decreasing
    assert (table["stayed_good"] < table["success"]).all()  # the demo's reeds come back
    for name in ("success", "cost"):
        assert (table[f"{name}_low"] < table[name]).all()
        assert (table[name] < table[f"{name}_high"]).all()
    assert answer.stakes["regret"].min() == answer.stakes["regret"].iloc[0] > 0


def test_there_is_a_claim_a_supplier_and_the_first_decides(answer):
    claims, table = answer.claims, answer.table
    assert claims["probability"].tolist() == table["prob_best"].tolist()
    assert claims["grade"].iloc[0] is answer.verdict is graded(table["prob_best"].iloc[0])
    assert (claims["grade"].iloc[1:] == Verdict.CANNOT_SAY).all()
    assert claims["size"].iloc[1:].tolist() == pytest.approx(
        (table["cost"].iloc[0] - table["cost"].iloc[1:]).tolist()
    )
    tried = answer.worth.query("reeds == 10")
    assert answer.record_next.worth == tried.loc[tried["net"].idxmax(), "per_year"]


def test_where_nothing_costs_anything_all_suppliers_are_tied(demo):
    """By hand: a cost of 0 in every draw is the lowest of each supplier's alike."""
    lots = demo.tables["lots"].assign(price=0.0, freight=0.0)
    free = replace(demo.settings, wage_per_hour=0.0, staple_price=0.0, thread_price=0.0)
    said = suppliers(Bench(None, free, {**demo.tables, "lots": lots}, demo.findings))
    assert said.free and said.verdict is Verdict.CANNOT_SAY
    assert (said.table[["cost", "cost_low", "cost_high"]] == 0).all(axis=None)
    assert said.table["prob_best"].tolist() == pytest.approx(
        [1 / len(said.table)] * len(said.table)
    )
    assert not said.claims["matters"].any()
    assert "nothing from any of them, so all are tied" in said.sentence()
    assert said.table.loc[said.table["success"].idxmax(), "supplier"] in said.sentence()
    assert "wage_per_hour" in said.record_next.what


def test_counts_that_a_maker_turns_round_are_said_with_the_reason():
    """KL's reeds do well, and most of teal's are hers: only so is teal ahead in plain counts."""
    rows = [("teal", "KL", 32, 8), ("teal", "RS", 4, 6), ("plum", "KL", 9, 1),
            ("plum", "RS", 20, 20)]  # fmt: skip
    reeds = pd.DataFrame(
        [(s, m, 1.0) for s, m, good, _ in rows for _ in range(good)]
        + [(s, m, 0.0) for s, m, _, bad in rows for _ in range(bad)],
        columns=["supplier", "maker", "success"],
    )
    arms = pd.DataFrame({"supplier": ["plum", "teal"]})
    table = pd.DataFrame({"supplier": ["plum", "teal"], "stayed_good": [0.7, 0.6]})
    said = turned.said(Evidence(reeds, arms, Rates()), table)
    # 36 of 50 and 29 of 50; 40 of teal's 50 are KL's, 10 of plum's.
    assert said.startswith("By plain counts teal is ahead: 72 of 100")
    assert "and 58 of plum" in said
    assert "made by KL (80 of 100, and 20 of plum)" in said or "made by RS" in said
    assert turned.said(Evidence(reeds, arms, Rates()), table.iloc[::-1]) == ""


def test_the_same_seed_gives_the_same_numbers(demo, answer, monkeypatch):
    monkeypatch.delenv(kept.FOLDER)  # drawn anew, not read
    again = suppliers(demo)
    pd.testing.assert_frame_equal(again.table, answer.table, rtol=1e-10)
    pd.testing.assert_frame_equal(again.stakes, answer.stakes, rtol=1e-10)


def test_success_of_the_next_lot_is_what_the_posterior_predicts(demo):
    """The parts put together again by another route: `Posterior.predict` row by row."""
    evidence = gather(demo)
    lot = models.fit_models(evidence, spec=models.Spec(settled=True)).next_lot(evidence)
    reeds = evidence.settled
    reeds["season"] = pd.Categorical(reeds["season"].astype(str))
    by_maker = "maker[T.RS]:years_from_today"
    model = fit(
        "success ~ maker + season + years_from_today + maker:years_from_today + (1 | supplier/lot)",
        reeds,
        family="binomial",
    ).posterior(seed=5, priors=Priors(by_column={"years_from_today": 1.0, by_maker: 0.5}))
    seen = reeds.groupby(["maker", "season"], observed=True).size().rename("n").reset_index()
    for name, said in zip(evidence.arms["supplier"], lot.one.success.mean(axis=0)):
        today = seen.assign(supplier=name, years_from_today=0.0)
        chance = model.predict(today, new_levels=("lot",))
        predicted = np.average(chance.mean(axis=0), weights=seen["n"])
        assert said == pytest.approx(predicted, abs=0.012)


def test_a_clear_case_says_buy_and_how_sure():
    frame, _ = simulate_reeds(
        seed=2, suppliers=2, lots=(6, 6), reeds=(40, 40), makers=1,
        world=replace(World.from_prior(np.random.default_rng(0)), success=0.0, supplier_sd=1.6,
                      lot_sd=0.1, supplier_minutes_sd=0.0, lot_minutes_sd=0.05),
    )  # fmt: skip
    raw = frame.groupby("supplier", observed=True)["success"].mean()
    assert abs(raw.diff().iloc[-1]) > 0.3, "the made-up suppliers are far apart"
    known = pd.DataFrame(
        {"supplier": raw.index, "lots": 6, "reeds": 240, "cane": 2.0, "minutes_before": 5.0}
    )
    evidence = Evidence(frame, known, Rates(), 30.0)
    said = comparison.compared(evidence, models.fit_models(evidence, 1, 1000))
    assert said.verdict is Verdict.SURE
    assert said.best == raw.idxmax()
    assert raw.idxmax() in said.sentence()
    assert said.table["cost"].is_monotonic_increasing
    cheaper = said.table["cost"].iloc[1] - said.table["cost"].iloc[0]
    assert said.claims["size"].tolist() == pytest.approx([cheaper, -cheaper])
    assert said.claims["matters"].tolist() == [True, False]


def test_a_bench_too_small_cannot_tell_and_says_what_to_record(small_bench):
    rows = [(s, f"{s}{i}", 3 + i, 3, 3 - (s == "teal")) for s in ("teal", "plum") for i in (1, 2)]
    said = suppliers(small_bench(rows))
    assert said.verdict is Verdict.CANNOT_SAY
    assert str(said.record_next) in repr(said)


def test_a_supplier_of_one_season_cannot_be_told_from_that_season(small_bench):
    rows = [("teal", "t1", 1, 9, 1), ("teal", "t2", 1, 8, 2), ("plum", "p1", 7, 3, 7),
            ("plum", "p2", 7, 2, 8)]  # fmt: skip
    said = suppliers(small_bench(rows))
    assert np.isinf(said.balance["ratio"]).all()
    assert said.verdict is Verdict.CANNOT_SAY
    assert "seasons" in said.record_next.what


def test_suppliers_bought_in_turn_cannot_be_told_from_what_the_maker_learns(small_bench):
    """In one season, a year apart: no maker and no season differs, but the years do."""
    rows = [(s, f"{s}{i}", 4, 9, 8) for s in ("teal", "plum") for i in range(2)]
    bench = small_bench(rows)
    reeds = bench.tables["reeds"].copy()
    later = reeds["lot"].str.startswith("plum")
    for day in ("tied_on", "judged_on"):
        reeds[day] = reeds[day] + pd.to_timedelta(np.where(later, 365, 0), unit="D")
    said = suppliers(bench.from_tables({"lots": bench.tables["lots"], "reeds": reeds}))
    assert (said.balance["ratio"] > comparison.CANNOT_TELL).all()
    assert said.verdict is Verdict.CANNOT_SAY
    assert "side by side" in said.record_next.what
    assert suppliers(bench).balance["ratio"].max() < 1.5


def test_suppliers_worked_one_after_the_other_are_not_told_apart():
    days = {"teal": np.arange(0, 200, 20.0), "plum": 200.0 + np.arange(0, 200, 20.0)}
    rows = [(name, "s", -day / 365.25) for name, of in days.items() for day in of]
    reeds = pd.DataFrame(rows, columns=["supplier", "season", "years_from_today"])
    table = comparison.balance(reeds, "teal")
    assert table["side_by_side"].item() == pytest.approx(0.2)  # days 160 and 180 of 0 to 180
    side = reeds.assign(years_from_today=reeds["years_from_today"] % (200 / 365.25))
    assert comparison.balance(side, "teal")["side_by_side"].item() == 1.0
    likeliest = pd.DataFrame({"supplier": ["teal", "plum"]})
    assert not comparison._told_apart(likeliest, table.assign(ratio=1.0))
    assert comparison._told_apart(likeliest, comparison.balance(side, "teal").assign(ratio=1.0))
    undated = comparison.balance(reeds.drop(columns="years_from_today"), "teal")
    assert undated["side_by_side"].item() == 1.0


def test_balance_is_the_variance_inflation_of_least_squares(demo):
    """Against statsmodels' covariance of the same contrast."""
    import statsmodels.formula.api as smf

    reeds = gather(demo).reeds
    table = comparison.balance(reeds, "indigo").set_index("against")["ratio"]
    formula = "success ~ 0 + supplier + maker + C(season, Treatment) + years_from_today"
    full = smf.ols(formula, reeds).fit()
    contrast = full.t_test("supplier[indigo] - supplier[slate] = 0")
    size = reeds["supplier"].value_counts()
    balanced = full.scale * (1 / size["indigo"] + 1 / size["slate"])
    assert table["slate"] == pytest.approx(float(contrast.sd[0, 0]) ** 2 / balanced)


def test_one_supplier_is_told_that_there_is_nothing_to_compare(small_bench):
    said = suppliers(small_bench([("teal", "a", 3, 6, 4), ("teal", "b", 5, 7, 3)]))
    assert len(said.table) == 1
    assert said.verdict is Verdict.CANNOT_SAY
    assert np.isnan(said.claims["size"].item())
    assert "Buy one lot elsewhere" in said.record_next.what
    checked = said.robustness()
    assert checked.verdict is Verdict.CANNOT_SAY and set(checked.best.values()) == {"teal"}


def test_a_supplier_with_one_lot_is_kept_and_said_to_be_thinly_known(small_bench):
    rows = [("teal", "a", 3, 6, 4), ("teal", "b", 5, 7, 3), ("plum", "c", 4, 5, 5)]
    said = suppliers(small_bench(rows))
    assert set(said.table["supplier"]) == {"teal", "plum"}
    assert any("one lot only" in note and "plum" in note for note in said.notes)
    width = (said.table["success_high"] - said.table["success_low"]).set_axis(
        said.table["supplier"]
    )
    assert width["plum"] > 0.2


def test_lots_that_all_succeed_have_an_answer_too(small_bench):
    rows = [("teal", "a", 3, 6, 0), ("teal", "b", 5, 7, 0), ("plum", "c", 4, 5, 0)]
    said = suppliers(small_bench(rows))
    assert np.isfinite(said.table.drop(columns="supplier")).all(axis=None)
    assert (said.table["success"] < 1).all()


def test_the_same_round_number_of_minutes_for_every_reed_is_taken_as_it_is(small_bench):
    rows = [("teal", "a", 3, 6, 4), ("plum", "c", 4, 5, 5)]
    said = suppliers(small_bench(rows, minutes=15))
    # 30 minutes a reed, over the chance of success: between its best and its worst draw.
    assert (said.table["minutes"] > 30 / said.table["success_high"]).all()
    assert (said.table["minutes"] < 30 / said.table["success_low"]).all()


def test_every_dated_reed_counts_and_pending_ones_are_said(demo, answer):
    reeds = demo.reeds
    assert (
        answer.table["reeds"].sum() == (reeds["success"].notna() & reeds["tied_on"].notna()).sum()
    )
    pending = (reeds["status"] == "pending").sum()
    assert any(f"{pending} have no outcome yet" in note for note in answer.notes)
    assert any(note.startswith(f"Pending reeds: {pending}, of which") for note in answer.notes)


def test_one_lot_is_refused_with_what_to_do(small_bench):
    found = suppliers(small_bench([("teal", "a", 3, 6, 4)]), level=0.8)
    assert (found.verdict, found.level, found.best) == (Verdict.CANNOT_SAY, 0.8, "")
    assert "at least two lots of each supplier" in found.record_next.what
    assert " ".join(found.table.columns) == CONTRACT and found.table.empty
    follow_ups = (found.robustness, found.selection, found.earnings, found.forms, found.equal_cane)
    for follow_up in follow_ups:
        followed = follow_up()
        assert followed.verdict is Verdict.CANNOT_SAY and followed.level == 0.8
        assert followed.sentence() == found.sentence()
        assert all(frame.empty and len(frame.columns) for frame in followed.tables.values())


def test_two_suppliers_of_one_lot_each_cannot_be_told_apart(small_bench):
    said = suppliers(small_bench([("teal", "a", 3, 5, 3), ("plum", "b", 3, 4, 4)]))
    assert said.verdict is Verdict.CANNOT_SAY and said.record_next is not None


def test_a_handful_of_minutes_that_lots_explain_counts_as_their_mean():
    from reedlab.paths import shipped
    from reedlab.records import open_bench

    said = suppliers(open_bench(shipped("data") / "messy"))
    assert any("too few or too even" in note for note in said.notes)
    assert np.isfinite(said.table.drop(columns="supplier")).all(axis=None)


def test_nothing_settled_is_refused_with_what_to_do(small_bench):
    bench = small_bench([("teal", "a", 3, 1, 0)])
    bench.reeds["success"] = np.nan
    found = suppliers(bench)
    assert found.verdict is Verdict.CANNOT_SAY
    assert "Record the outcome" in found.record_next.what


def test_where_an_hour_costs_nothing_a_reed_costs_cane_thread_and_staple(small_bench):
    bench = small_bench([("teal", "a", 3, 6, 4), ("plum", "b", 3, 5, 5)])
    bench = Bench.from_tables(bench.tables, settings=replace(bench.settings, wage_per_hour=0.0))
    bench.reeds["log_scrape_min"] = np.nan
    said = suppliers(bench)
    # cane 100/50 = 2 a piece and thread 0.1 and a staple 3 less 0.8 of it recovered from failures.
    cheap = (2 + 0.1 + 3) / said.table["success_high"]
    assert (said.table["cost"] > cheap).all()
    assert (said.table["cost"] < 15).all()
    assert said.table["minutes"].isna().all()


@pytest.mark.parametrize("lacking", ["minutes", "prices"])
def test_a_cost_without_one_of_its_parts_is_not_shown(small_bench, lacking):
    """A staple and a thread are no cost of a reed, and no ranking comes of them."""
    bench = small_bench([("teal", "a", 3, 6, 4), ("plum", "b", 3, 9, 1), ("plum", "c", 4, 9, 1)])
    tables = dict(bench.tables)
    if lacking == "prices":
        tables["lots"] = tables["lots"].assign(price=np.nan)
    else:
        tables["reeds"] = tables["reeds"].assign(rough_min=np.nan, finish_min=np.nan)
    bench = Bench.from_tables(tables, settings=bench.settings)
    said, priced = suppliers(bench), rl.price(bench)
    assert said.table["supplier"].tolist() == ["plum", "teal"]  # the most good reeds first
    assert said.table[["cost", "cost_low", "cost_high", "prob_best"]].isna().all(axis=None)
    assert said.table[["success", "stayed_good"]].notna().all(axis=None)
    assert said.lacks in said.sentence() and said.lacks in priced.unanswered
    assert said.record_next == priced.record_next
    assert said.verdict is Verdict.CANNOT_SAY
    for follow_up in (said.robustness(), said.selection(), said.earnings()):
        assert said.lacks in follow_up.unanswered
    assert said.sensitivity.empty and said.worth.empty
    assert not any("cost" in name or "cheapest" in name for name in suppliers_in_words(said))
    assert "cheapest" not in plain(said).lower()
    assert "good" in rl.figure(said).get_xlabel()


def test_without_minutes_it_does_not_call_a_supplier_the_cheapest(demo):
    """Cheap cane that takes twice the work would win: what is known then is success."""
    tables = dict(demo.tables)
    tables["reeds"] = tables["reeds"].assign(rough_min=np.nan, finish_min=np.nan)
    tables["sittings"] = tables["sittings"].head(0)
    bench = Bench.from_tables(tables, settings=demo.settings)
    said = suppliers(bench)
    best = said.table.loc[said.table["stayed_good"].idxmax(), "supplier"]
    assert said.lacks and said.verdict is Verdict.CANNOT_SAY
    assert f"a next lot of {best}" in said.sentence()
    assert "minutes" in said.record_next.what
    for follow_up in (said.earnings(), said.forms()):
        assert follow_up.verdict is Verdict.CANNOT_SAY and follow_up.table.empty
        assert follow_up.record_next == said.record_next
    assert (suppliers_in_words(said)["bench minutes"] == "–").all()


def test_reeds_that_all_failed_have_no_cost(small_bench):
    found = suppliers(small_bench([("teal", "a", 3, 0, 6), ("plum", "b", 3, 0, 5)]))
    assert found.verdict is Verdict.CANNOT_SAY and "None of 11" in found.unanswered


def test_what_a_tied_piece_cost_before_tying_worked_by_hand():
    losses = pd.DataFrame(
        {
            "lot": ["a", "b", "c", "d"],
            "supplier": ["teal", "teal", "plum", "plum"],
            "pieces_in": [50.0, np.nan, 40.0, np.nan],
            "yield_before_tying": [0.5, np.nan, 0.8, np.nan],
            "minutes_per_tied": [6.0, np.nan, np.nan, np.nan],
            "cost_landed": [100.0, 60.0, 80.0, 999.0],
            "cost_per_piece": [2.0, 1.2, np.nan, 9.0],
        }
    )
    lots = pd.DataFrame(
        {"lot": list("abcd"), "form": ["tube", "tube", "split", "split"],
         "currency": ["EUR", None, "EUR", "USD"]}
    )  # fmt: skip
    frame, notes = before_tying(losses, lots, "EUR")
    # teal: 2.0 / 0.5 and 1.2 / 0.5 (its own yield stands in); plum: 80 / 40 / 0.8, the other lot
    # is in dollars; no minutes of plum nor of its form, so the mean of all stands in.
    assert frame.loc["teal", "cane"] == pytest.approx((4.0 + 2.4) / 2)
    assert frame.loc["plum", "cane"] == pytest.approx(2.5)
    assert frame.loc["plum", "minutes_before"] == pytest.approx(6.0)
    assert any("d is in another currency" in note for note in notes)
    assert any("plum, the minutes before tying" in note for note in notes)


@pytest.mark.parametrize(("late", "word"), [(2, "less well"), (6, "")])
def test_it_says_where_newer_reeds_move_all_suppliers(late, word):
    """Two years of reeds in which six in ten turn out good, and of the last year's as many or 2."""
    days = pd.date_range("2023-01-02", "2024-12-30", periods=160)
    good = np.arange(160) * 3 % 10 < np.where(days.year == 2024, late, 6)
    reeds = pd.DataFrame(
        {
            "reed": [str(i) for i in range(160)],
            "lot": [f"L{i % 4}" for i in range(160)],
            "maker": "KL",
            "tied_on": days,
            "judged_on": days + pd.Timedelta(days=10),
            "outcome": np.where(good, "good", "reject"),
        }
    )
    lots = pd.DataFrame({"lot": ["L0", "L1", "L2", "L3"], "supplier": ["teal", "plum"] * 2})
    said = suppliers(Bench.from_tables({"lots": lots, "reeds": reeds}, today="2025-01-20"))
    assert (word in said.newer) if word else said.newer == ""
    if word:
        so_far = round(100 * (reeds["outcome"] == "good").mean())
        now = round(100 * said.table["success"].mean())
        assert f"{so_far} in 100 turned out good" in said.newer
        assert f"about {now} in 100 are expected" in said.newer and now < so_far - 5
