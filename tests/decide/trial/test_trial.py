"""Trials: the draw, the sheets, the number needed and the paired analysis."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from reedlab.decide.answer import Verdict
from reedlab.decide.trial import plan as plan_trial
from reedlab.decide.trial import read
from reedlab.decide.trial.analysis import analyse, paired_difference, paired_ratio
from reedlab.decide.trial.blanks import Plan, draw, number_needed, usual
from reedlab.decide.trial.looks import level_of_last
from reedlab.decide.trial.sheets import read_trial, write_trial
from reedlab.errors import DecisionError, RecordError, WriteError
from reedlab.records import Settings

TWO = ("tip 0.10 mm", "tip 0.12 mm")


def filled(folder, good, minutes, plan=None):
    """Write a trial and fill it in: `good(setting, pair)` and `minutes(setting, pair)`."""
    plan = plan or Plan("L07", TWO, blanks=20, seed=5)
    write_trial(plan, folder)
    bench = pd.read_csv(folder / "bench.csv", dtype=str, keep_default_na=False)
    key = pd.read_csv(folder / "key" / "key.csv", dtype=str)
    judge = pd.read_csv(folder / "judge.csv", dtype=str, keep_default_na=False)
    bench["rough_min"] = [
        str(minutes(s, int(p))) for s, p in zip(bench["setting"], bench["pair"], strict=True)
    ]
    bench["finish_min"] = "0"
    by_code = bench.merge(key, on="order").set_index("code")
    judge["outcome"] = [
        good(by_code.loc[c, "setting"], int(by_code.loc[c, "pair"])) for c in judge["code"]
    ]
    bench.to_csv(folder / "bench.csv", index=False)
    judge.to_csv(folder / "judge.csv", index=False)
    return read_trial(folder)


def test_the_draw_is_balanced_in_pairs_random_and_repeatable():
    plan = Plan("L07", TWO, blanks=40, seed=11)
    frame = draw(plan)
    pd.testing.assert_frame_equal(frame, draw(plan))
    assert (frame.groupby("pair")["setting"].agg(set) == set(TWO)).all()
    assert frame["code"].is_unique and frame["code"].between(100, 999).all()
    assert not frame["setting"].equals(draw(Plan("L07", TWO, blanks=40, seed=12))["setting"])
    firsts = [draw(Plan("L", TWO, blanks=10, seed=s))["setting"][0] for s in range(400)]
    assert 160 < firsts.count(TWO[0]) < 240  # 4 sd of a fair coin


def test_the_judge_sees_nothing_that_tells_the_setting(tmp_path):
    folder = write_trial(Plan("L07", TWO, blanks=24, seed=2), tmp_path / "t")
    text = (folder / "judge.csv").read_text(encoding="utf-8")
    assert "tip" not in text and "setting" not in text and "order" not in text
    codes = pd.read_csv(folder / "judge.csv")["code"]
    assert codes.is_monotonic_increasing  # in the order of the codes, not of the making
    key = pd.read_csv(folder / "key" / "key.csv")
    assert abs(np.corrcoef(key["order"], key["code"])[0, 1]) < 0.7
    assert "code" not in pd.read_csv(folder / "bench.csv").columns


def test_a_trial_under_way_is_never_written_over(tmp_path):
    plan = Plan("L07", TWO, blanks=10)
    folder = write_trial(plan, tmp_path / "t")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    with pytest.raises(WriteError, match="exists already"):
        write_trial(plan, folder)
    assert before == {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_number_needed_against_cohens_tables():
    # Cohen (1988), Statistical Power Analysis, table 6.4.1: h = 0.50, two-sided 5 %, power 80 %:
    # 63 a group; h = 0.20: 392. Shares chosen so that their arcsine difference is that h.
    for h, each in ((0.5, 63), (0.2, 392)):
        better = np.sin(np.pi / 4 + h / 2) ** 2
        plan = Plan("L", TWO, usual_success=0.5, success_difference=better - 0.5)
        assert number_needed(plan).loc["success", "blanks_needed"] == pytest.approx(2 * each, abs=2)
    # Pairs with a standardised difference of 0.5 take 34 (G*Power 3.1 manual, from memory).
    plan = Plan("L", TWO, minutes_ratio=np.exp(0.5 * 0.2 * np.sqrt(2)), log_minutes_sd=0.2)
    assert number_needed(plan).loc["minutes", "blanks_needed"] == 68


def test_number_needed_against_r():
    # R 4.2: power.prop.test(p1=.6, p2=.8, power=.8)$n = 81.224 a group;
    # power.t.test(delta=log(1.15), sd=.25*sqrt(2), power=.8, type="paired")$n = 52.181 pairs.
    # statsmodels' own two-sample power agrees at that number.
    from statsmodels.stats.proportion import power_proportions_2indep

    needed = number_needed(Plan("L", TWO))["blanks_needed"]
    assert needed["success"] == pytest.approx(2 * 81.224, rel=0.01)
    assert needed["minutes"] == 2 * 53
    told = power_proportions_2indep(0.2, 0.6, needed["success"] / 2)
    assert told.power == pytest.approx(0.8, abs=0.01)


def test_that_many_pairs_tell_the_difference_by_the_test_that_is_used():
    # The paired test of the analysis itself, on pairs as independent as two reeds of one lot.
    rng = np.random.default_rng(8)
    pairs = int(number_needed(Plan("L", TWO)).loc["success", "blanks_needed"]) // 2
    found = [
        paired_difference(*(rng.random((2, pairs)) < [[0.8], [0.6]]).astype(float))
        for _ in range(400)
    ]
    told = np.mean([f["p"] < 0.05 for f in found])
    assert told == pytest.approx(0.8, abs=3 * 0.02)


def test_what_is_usual_is_read_from_the_bench(demo, answer):
    row = answer.table.iloc[0]
    lot = demo.tables["lots"].query("supplier == @row.supplier")["lot"].iloc[0]
    told = usual(demo, str(lot))
    assert told.of == row["supplier"]
    assert told.success == pytest.approx(row["success"], abs=0.02)
    assert told.low == pytest.approx(row["success_low"], abs=0.04)
    alone = demo.reeds.query("success == 1 and not minutes_shared")
    within = alone.groupby("lot", observed=True)["log_scrape_min"].std()
    assert told.log_minutes_sd == pytest.approx(within.mean(), rel=0.25)
    assert usual(demo, "not a lot").of == "any supplier"


def test_what_a_plan_tells_is_what_it_would_need():
    plan = Plan("L", TWO, blanks=60)
    told = number_needed(plan)["detectable"]
    again = number_needed(
        Plan("L", TWO, success_difference=told["success"], minutes_ratio=told["minutes"])
    )
    assert again["blanks_needed"].between(60, 62).all()
    assert np.isnan(number_needed(Plan("L", TWO, blanks=10)).loc["success", "detectable"])


def test_shoes_of_ten_boys():
    # Box, Hunter and Hunter (1978), Statistics for Experimenters, chapter 4: mean difference
    # 0.41, t = 3.4 on 9 degrees of freedom; 3 of 1024 flips of the coins give a greater mean and
    # 4 as great a one, so 14 of 1024 two-sided.
    a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    b = np.array([14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    found = paired_ratio(np.exp(b), np.exp(a))
    assert np.log(found["effect"]) == pytest.approx(0.41)
    assert found["p"] == pytest.approx(14 / 1024)
    half = np.log(found["high"]) - 0.41
    assert 0.41 / (half / 2.262157) == pytest.approx(3.349, abs=0.001)


def test_paired_shares_as_published():
    # Fagerland, Lydersen and Laake (2014), Stat Med 33:2850, airway hyper-responsiveness
    # (Bentur et al. 2009): Newcombe's interval -0.507 to -0.026; mid-p 0.039 (2013).
    before = np.repeat([1, 1, 0, 0], [1, 1, 7, 12])
    after = np.repeat([1, 0, 1, 0], [1, 1, 7, 12])
    found = paired_difference(before, after)
    assert found["low"] == pytest.approx(-0.507, abs=5e-4)
    assert found["high"] == pytest.approx(-0.026, abs=5e-4)
    assert found["p"] == pytest.approx(0.039, abs=5e-4)
    mirrored = paired_difference(after, before)
    assert mirrored["low"] == pytest.approx(-found["high"])


def test_paired_intervals_cover():
    # Exact over every outcome of ten pairs with independent sides. Newcombe's method keeps to its
    # level on average over the parameters, not at each: 0.940 is the least of these three.
    from scipy.stats import multinomial

    cover = []
    for p1, p2 in ((0.6, 0.6), (0.8, 0.5), (0.4, 0.7)):
        cells = [p1 * p2, p1 * (1 - p2), (1 - p1) * p2, (1 - p1) * (1 - p2)]
        held = 0.0
        for n11 in range(11):
            for n10 in range(11 - n11):
                for n01 in range(11 - n11 - n10):
                    counts = [n11, n10, n01, 10 - n11 - n10 - n01]
                    first, second = np.repeat([1, 1, 0, 0], counts), np.repeat([1, 0, 1, 0], counts)
                    found = paired_difference(first, second)
                    inside = found["low"] - 1e-9 <= p1 - p2 <= found["high"] + 1e-9
                    held += inside * multinomial.pmf(counts, 10, cells)
        cover.append(held)
    assert np.mean(cover) > 0.945 and min(cover) > 0.935


def test_a_clear_difference_is_told(tmp_path):
    trial = filled(
        tmp_path / "t",
        lambda s, p: "good" if s == TWO[0] else ("good" if p % 4 == 0 else "reject"),
        lambda s, p: (30 if s == TWO[0] else 40) + p,
    )
    answer = analyse(trial)
    success = answer.table.loc["success"]
    assert (success["first"], success["second"]) == (1.0, 0.2)
    assert success["low"] > 0 and success["p"] < 0.05
    assert answer.table.loc["minutes", "high"] < 1
    claims = answer.claims
    assert answer.verdict is Verdict.SURE and not answer.alike
    assert claims["size"].tolist() == answer.table["effect"].tolist()
    assert claims["probability"].iloc[0] == 1 - success["p"] / 2
    assert claims["matters"].tolist() == [True, True]
    assert f"Work this lot with {TWO[0]}" in answer.sentence()
    assert answer.sentence().endswith(answer.record_next.what)
    again = read(tmp_path / "t", tmp_path / "t")
    pd.testing.assert_frame_equal(again.table, answer.table)


def test_a_trial_too_small_says_so_and_what_to_do(tmp_path):
    trial = filled(
        tmp_path / "t",
        lambda s, p: "good" if (p + (s == TWO[0])) % 2 else "reject",
        lambda s, p: 30,
    )
    found = analyse(trial)
    assert found.verdict is Verdict.CANNOT_SAY
    assert "142 blanks more" in found.record_next.what  # 162 take it, 20 are there


def test_two_settings_that_surely_do_alike_are_said_to(tmp_path):
    trial = filled(tmp_path / "t", lambda s, p: "good", lambda s, p: 30 + p)
    found = analyse(trial)
    assert found.table.loc["success", ["low", "high"]].abs().max() > 0.2
    assert found.verdict is Verdict.CANNOT_SAY  # ten pairs are too few for that
    plan = replace(trial.plan, success_difference=0.4)
    found = analyse(replace(trial, plan=plan))
    assert found.alike and found.verdict is Verdict.SURE
    assert not found.claims["matters"].iloc[0]


def test_the_first_of_five_looks_is_the_published_boundary():
    # The second spending function of Lan and DeMets (1983) at a fifth of the information, two-sided
    # 5 %: z = 2.438.
    assert norm.isf((1 - level_of_last([40], 200, 0.95)) / 2) == pytest.approx(2.438, abs=5e-4)
    assert level_of_last([200], 200, 0.95) == pytest.approx(0.95)
    assert level_of_last([200, 10], 200, 0.95) == 1.0
    spent = [1 - level_of_last([40] * looks, 200, 0.95) for looks in range(1, 6)]
    assert sum(spent) == pytest.approx(0.05)


def test_five_looks_together_mislead_no_more_often_than_one():
    """No difference, five trials of 40 blanks read one after another, each with those before."""
    rng = np.random.default_rng(8)
    called = {"each look at 95 %": 0, "by the boundary": 0}
    for _ in range(600):
        pairs = (rng.random((100, 2)) < 0.6).astype(float)
        told = dict.fromkeys(called, False)
        for looks in range(1, 6):
            seen = pairs[: 20 * looks].T
            for name, level in (
                ("each look at 95 %", 0.95),
                ("by the boundary", level_of_last([40] * looks, 200, 0.95)),
            ):
                found = paired_difference(*seen, level=level)
                told[name] |= found["low"] > 0 or found["high"] < 0
        for name in called:
            called[name] += told[name]
    assert called["by the boundary"] <= 40  # 30 of 600 are 5 %; more than 40 come once in 30
    assert called["each look at 95 %"] > 60


def test_a_trial_past_the_blanks_it_takes_shows_nothing_new(tmp_path):
    plans = [Plan("L", TWO, blanks=60, seed=s) for s in (1, 2, 3, 4)]
    assert 120 < number_needed(plans[0]).loc["success", "blanks_needed"] < 180

    def made(name, good):
        return [filled(tmp_path / f"{name}{p.seed}", good, lambda s, n: 30 + n, p) for p in plans]

    clear = made("a", lambda s, n: "good" if s == TWO[0] else "reject")
    assert [analyse(*clear[:looks]).verdict for looks in (1, 3, 4)] == [Verdict.SURE] * 3
    alike = made("b", lambda s, n: "good" if (n + (s == TWO[0])) % 2 else "reject")
    now_clear = [*alike[:3], *clear[:2]]
    assert analyse(*now_clear).verdict is Verdict.CANNOT_SAY
    assert "write no other trial" in analyse(*alike).record_next.what


def test_two_trials_are_read_together_by_their_own_pairs(tmp_path):
    plans = [Plan(lot, TWO, blanks=10, seed=s) for lot, s in (("L1", 1), ("L2", 2))]
    both = [
        filled(tmp_path / plan.lot, lambda s, p: "good", lambda s, p: 30 + 5 * (s == TWO[0]), plan)
        for plan in plans
    ]
    answer = analyse(*both)
    assert answer.table.loc["success", "pairs"] == 10
    assert answer.table.loc["minutes", "effect"] == pytest.approx(35 / 30)
    other = filled(tmp_path / "x", lambda s, p: "good", lambda s, p: 1, Plan("L", ("a", "b")))
    with pytest.raises(DecisionError, match="same two settings"):
        analyse(both[0], other)


def test_lost_blanks_count_as_not_good_and_leave_the_minutes(tmp_path):
    trial = filled(
        tmp_path / "t",
        lambda s, p: "broken" if s == TWO[0] and p <= 3 else "good",
        lambda s, p: 30,
    )
    effects = analyse(trial).table
    assert effects.loc["success", "first"] == pytest.approx(0.7)
    assert effects.loc["minutes", "pairs"] == 7


def test_an_unfinished_trial_is_not_judged(tmp_path):
    trial = filled(tmp_path / "t", lambda s, p: "good" if p < 3 else "", lambda s, p: 30)
    answer = analyse(trial)
    assert answer.pending == 16 and answer.verdict is Verdict.CANNOT_SAY
    assert "before anyone opens the key" in answer.record_next.what


def test_a_plan_without_a_folder_writes_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    planned = plan_trial("L07", TWO, blanks=60, success_difference=0.3)
    assert planned.verdict is Verdict.DESCRIBES
    assert planned.plan == Plan("L07", TWO, 60, success_difference=0.3)
    pd.testing.assert_frame_equal(planned.table, number_needed(planned.plan))
    assert not list(tmp_path.iterdir())


def test_no_trial_to_read_is_said():
    with pytest.raises(DecisionError, match="No trial is named"):
        read()


@pytest.mark.parametrize(
    ("sheet", "old", "new", "says"),
    [
        ("bench.csv", TWO[0], "tip 0.11 mm", "no longer hold"),
        ("judge.csv", "good", "goodish", "goodish"),
        ("bench.csv", ",30,", ",half an hour,", "half an hour"),
        ("plan.toml", "lot =", "lots =", "plan.toml"),
    ],
)
def test_what_cannot_be_read_is_named(tmp_path, sheet, old, new, says):
    folder = tmp_path / "t"
    filled(folder, lambda s, p: "good", lambda s, p: 30)
    text = (folder / sheet).read_text(encoding="utf-8")
    assert old in text
    (folder / sheet).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RecordError, match=says):
        read_trial(folder)


@pytest.mark.parametrize(
    "bad",
    [
        {"blanks": 8},
        {"blanks": 11},
        {"blanks": 902},  # more than there are three-digit codes
        {"seed": -1},
        {"lot": " "},
        {"settings": ("a", "a")},
        {"usual_success": 1.2},
        {"minutes_ratio": 1},
    ],
)
def test_impossible_plans_are_refused(bad):
    with pytest.raises(DecisionError):
        Plan(**{"lot": "L", "settings": TWO, **bad})


def test_a_sheet_saved_with_semicolons_and_decimal_commas_is_read(tmp_path):
    folder = tmp_path / "t"
    filled(folder, lambda s, p: "good", lambda s, p: 30.5)
    for sheet in ("bench.csv", "judge.csv"):
        frame = pd.read_csv(folder / sheet, dtype=str, keep_default_na=False)
        frame = frame.map(lambda text: text.replace("30.5", "30,5"))
        frame.to_csv(folder / sheet, sep=";", index=False, encoding="utf-8-sig")
    assert (read_trial(folder).reeds["scrape_min"] == 30.5).all()


def test_the_bench_says_what_is_good_and_in_which_words(tmp_path):
    folder = tmp_path / "t"
    filled(folder, lambda s, p: "good" if p % 2 else "playable", lambda s, p: 30)
    judge = pd.read_csv(folder / "judge.csv", dtype=str)
    judge["judged_on"] = "03.04.2025"  # no date of the bench's order: nothing hangs on it
    judge["outcome"] = judge["outcome"].replace("good", "gut")
    judge.to_csv(folder / "judge.csv", index=False)
    with pytest.raises(RecordError, match="'gut': is not one of"):
        read_trial(folder)
    words = {"outcome": {"gut": "good"}}
    reeds = read_trial(folder, Settings(words=words)).reeds
    assert reeds["success"].mean() == 0.5
    both = read_trial(folder, Settings(words=words, success={"good", "playable"})).reeds
    assert both["success"].mean() == 1
