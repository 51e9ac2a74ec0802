"""What a rule saves, its parts against closed forms, and the judging on lots not seen."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats
from scipy.special import expit

from reedlab.decide.answer import Verdict
from reedlab.decide.stopping import folds as of_lots
from reedlab.decide.stopping.break_even import Stakes
from reedlab.decide.stopping.folds import LEARNT, held_out, judge, lot_folds
from reedlab.decide.stopping.rules import (
    GO_ON,
    FittedPrediction,
    FittedSigns,
    Measure,
    Sign,
    Signs,
    fit_rules,
)
from reedlab.decide.stopping.tryout import Lack, lacking, try_rules

DENSITY = Measure("density", "density", "g/cm³", 0.005, 0.0)
STAKES = Stakes(value=30.0, if_good=15.0, if_bad=11.0, sunk=4.0, minute=0.3)


@pytest.fixture
def few_folds(monkeypatch):
    monkeypatch.setattr(of_lots, "FOLDS", 3)


def blanks(seed, slope, lots=16, each=30, lot_sd=0.4, base=0.3):
    """A small bench of one measure whose slope per sd on the logit is known."""
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(lots), each)
    x = rng.normal(size=lots * each)
    chance = expit(base + slope * x + rng.normal(0, lot_sd, lots)[lot])
    return pd.DataFrame(
        {
            "lot": [f"L{i:02d}" for i in lot],
            "good": (rng.random(len(lot)) < chance).astype(int),
            "density": 0.035 * x,
        }
    )


def at_stake(rows):
    success = (rows["good"].sum() + 0.5) / (len(rows) + 1)
    return Stakes.at_replacement(success, if_good=12.0, if_bad=11.0, sunk=4.0, minute=0.3)


def decided_by_chance(rng, rules, lots=16, each=20):
    """Savings of rules that are all worth nothing, lot by lot."""
    return pd.concat(
        pd.DataFrame(
            {
                "rule": f"r{k}",
                "lot": np.repeat([f"L{i:02d}" for i in range(lots)], each),
                "good": 1,
                "keep": True,
                "minutes": 0.0,
                "saving": np.repeat(rng.normal(size=lots), each),
            }
        )
        for k in range(rules)
    )


def test_saving_is_the_difference_of_two_net_benefits():
    # Vickers and Elkin (2006): net benefit = true positives / n - false positives / n x odds of
    # the threshold; going on with all, and with those kept, times the gain.
    rng = np.random.default_rng(2)
    good, keep = rng.integers(2, size=400), rng.random(400) < 0.7
    odds = STAKES.threshold / (1 - STAKES.threshold)

    def net_benefit(on):
        return np.mean(on & (good == 1)) - odds * np.mean(on & (good == 0))

    expected = STAKES.gain * (net_benefit(keep) - net_benefit(np.ones(400, dtype=bool)))
    assert STAKES.saving(keep, good).mean() == pytest.approx(expected)
    assert STAKES.saving(keep, good, minutes=2).mean() == pytest.approx(expected - 0.6)


def test_a_cut_saves_what_the_bivariate_normal_says():
    # good = 1 when z < a + b x with x, z standard normal: P(x < c, good) is bivariate normal.
    a, b, cut = 0.4, 0.8, -0.5
    corr = b / np.hypot(1, b)
    both = stats.multivariate_normal(cov=[[1, -corr], [-corr, 1]]).cdf([cut, a / np.hypot(1, b)])
    expected = STAKES.if_bad * (stats.norm.cdf(cut) - both) - STAKES.gain * both
    x = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    saved = STAKES.saving(x >= cut, stats.norm.cdf(a + b * x))
    assert saved.mean() == pytest.approx(expected, abs=1e-4)
    # The best cut lies where the chance meets the threshold.
    best = (stats.norm.ppf(STAKES.threshold) - a) / b
    chance = stats.norm.cdf(a + b * x)
    at_best = STAKES.saving(x >= best, chance).mean()
    assert all(at_best > STAKES.saving(x >= best + d, chance).mean() for d in (-0.1, 0.1))


def per_saleable(stakes, keep, good, minutes=0.0):
    """What a saleable reed costs under a rule, the blanks stopped paid by the rest."""
    before = len(good) * (stakes.sunk + stakes.minute * minutes)
    going_on = np.sum(keep * np.where(good == 1, stakes.if_good, stakes.if_bad))
    return (before + going_on) / np.sum(keep * good)


def test_at_replacement_a_rule_saves_exactly_if_saleable_reeds_get_cheaper():
    rng = np.random.default_rng(5)
    good = rng.integers(2, size=300)
    stakes = Stakes.at_replacement(good.mean(), 12.0, 11.0, 4.0, 0.3)
    every = np.ones(300, dtype=bool)
    assert per_saleable(stakes, every, good) == pytest.approx(stakes.value)
    for seed in range(20):
        keep = np.random.default_rng(seed).random(300) < 0.6 + 0.3 * good
        cheaper = per_saleable(stakes, keep, good, 0.5) < stakes.value
        assert cheaper == (stakes.saving(keep, good, 0.5).mean() > 0)


def test_the_chance_integrates_the_lots_and_the_slopes_doubt():
    fitted = FittedPrediction(
        pd.Series({"density": 0.0}),
        pd.Series({"density": 0.035}),
        pd.Series({"Intercept": 0.3, "density": -0.7}),
        pd.DataFrame([[0.04, 0.01], [0.01, 0.02]]),
        0.5,
    )
    data = pd.DataFrame({"density": [-0.05, 0.0, 0.07, np.nan]})
    for x, got in zip(data["density"].fillna(0.0) / 0.035, fitted.chance(data), strict=True):
        sd = np.sqrt(0.04 + 2 * 0.01 * x + 0.02 * x**2 + 0.5)
        exact, _ = integrate.quad(
            lambda z, x=x, sd=sd: expit(0.3 - 0.7 * x + sd * z) * stats.norm.pdf(z), -9, 9
        )
        assert got == pytest.approx(exact, abs=2e-6)


def test_whole_lots_are_held_out_in_folds_of_like_size():
    rng = np.random.default_rng(1)
    lots = pd.Series(np.repeat([f"L{i}" for i in range(23)], rng.integers(5, 60, 23)))
    folds = lot_folds(lots, folds=6)
    assert pd.DataFrame({"lot": lots, "fold": folds}).groupby("lot")["fold"].nunique().max() == 1
    assert pd.Series(folds).value_counts().agg(lambda n: n.max() / n.min()) < 1.3
    assert len(set(lot_folds(lots, folds=99))) == 23


def test_nothing_of_a_held_out_lot_reaches_its_own_decisions():
    rows = blanks(3, slope=-1.5, lots=8, each=25)
    rules = {"one": Signs((DENSITY,)), "two": Signs((DENSITY,), together=2)}
    before = held_out(rows, rules, at_stake)
    assert not before["keep"].all()
    own = rows["lot"] == "L03"
    other = rows.assign(good=rows["good"].where(~own, 1 - rows["good"]))
    after = held_out(other, rules, at_stake)
    pick = before["lot"] == "L03"
    assert (before.loc[pick, "keep"].to_numpy() == after.loc[pick, "keep"].to_numpy()).all()


def test_signs_have_edges_that_the_bench_reads_and_let_the_unmeasured_pass():
    rows = blanks(4, slope=-1.6, lots=20, each=40)
    fitted = fit_rules({"w": Signs((DENSITY,))}, rows, at_stake(rows))["w"]
    ((sign,), *_) = fitted.groups
    assert sign.above and sign.edge > 0 and round(sign.edge / 0.005, 6) % 1 == 0
    assert sign.shows(pd.DataFrame({"density": [np.nan, 1.0, 0.0]})).tolist() == [
        False, True, False,
    ]  # fmt: skip
    assert fitted.sentence() == f"density of {sign.edge:g} g/cm³ or more"


def test_two_signs_that_are_hopeless_together_are_found_and_said_together(few_folds):
    """Of blanks with one of two signs every second turns out good, of those with both none."""
    rng = np.random.default_rng(5)
    small, flat = (rng.random((2, 600)) < 0.4).astype(float)
    good = (rng.random(600) < np.choose((small + flat).astype(int), [0.75, 0.5, 0.0])).astype(int)
    rows = pd.DataFrame({"small": small, "flat": flat, "good": good})
    rows["lot"] = [f"L{i:02d}" for i in np.repeat(np.arange(12), 50)]
    flags = tuple(
        Measure(column, f"a {column} one", "", 1.0, 0.0, two_sided=False, flag=True)
        for column in ("small", "flat")
    )
    rules = {"one sign": Signs(flags), "signs together": Signs(flags, together=2)}
    tried = try_rules(rows, rules, at_stake)
    assert tried.follow and tried.verdict is Verdict.SURE
    assert tried.rules["says"].iloc[0] == "a small one and a flat one"
    both = FittedSigns(((Sign(flags[0], 1.0), Sign(flags[1], 1.0)),))
    assert (~both.keep(rows) == (small + flat == 2)).all()


def test_a_minute_of_measuring_is_paid_once_a_measure():
    rows = blanks(4, slope=-1.6, lots=20, each=40)
    slow = Measure("density", "density", "g/cm³", 0.005, 3.0)
    one = FittedSigns(((Sign(slow, 0.04),), (Sign(slow, -0.04, above=False),)))
    assert one.minutes == 3.0
    dear = Measure("density", "density", "g/cm³", 0.005, 60.0)
    assert fit_rules({"w": Signs((dear,))}, rows, at_stake(rows))["w"].keep(rows).all()


def test_one_rules_interval_is_that_of_a_mean_over_lots_widened_for_learning():
    rng = np.random.default_rng(7)
    decided = decided_by_chance(rng, rules=1, lots=24)
    found = judge(decided, level=0.9)
    by_lot = decided.groupby("lot")["saving"].mean()
    low, high = stats.t.interval(0.9, 23, by_lot.mean(), LEARNT * stats.sem(by_lot))
    ends = np.quantile(found.resampled, [0.05, 0.95])
    assert ends == pytest.approx([low, high], abs=0.05 * (high - low))
    assert abs(found.optimism) < 0.05 * (high - low)


def test_the_best_of_several_worthless_rules_is_corrected_to_nothing(monkeypatch):
    # The mean of the greatest of three standard normals is 3 / (2 sqrt(pi)) = 0.846 (David and
    # Nagaraja 2003, Order Statistics, section 3.2), so uncorrected the best of three means of 16
    # lots flatters by 0.846 / 4 = 0.212.
    rng = np.random.default_rng(11)
    monkeypatch.setattr(of_lots, "RESAMPLES", 400)
    found = [judge(decided_by_chance(rng, 3, each=1), seed=s) for s in range(200)]
    raw = np.array([v.table["saving"].iloc[0] for v in found])
    corrected = raw - [v.optimism for v in found]
    error = corrected.std() / np.sqrt(200)
    assert raw.mean() == pytest.approx(0.212, abs=3 * raw.std() / np.sqrt(200))
    assert abs(corrected.mean()) < 3 * error < 0.06
    assert np.mean([np.quantile(v.resampled, 0.05) > 0 for v in found]) < 0.12


def test_where_nothing_predicts_no_rule_is_followed(few_folds):
    followed = [
        try_rules(blanks(s, slope=0.0, lots=10, each=20), {"p": Signs((DENSITY,))}, at_stake)
        for s in range(40)
    ]
    # Sure of a saving with probability 0.9, so 10 % of benches at most; 8 or more of 40: 0.04.
    sure = [tried for tried in followed if tried.verdict is Verdict.SURE]
    assert sum(tried.follow for tried in sure) <= 7
    assert sum(tried.verdict is Verdict.SURE and not tried.follow for tried in followed) >= 20


def test_what_predicts_well_is_followed_and_saves_on_other_lots():
    rows = blanks(21, slope=-1.6, lots=20, each=40)
    rules = {"one": Signs((DENSITY,)), "two": Signs((DENSITY,), together=2)}
    tried = try_rules(rows, rules, at_stake)
    assert tried.follow and tried.verdict is Verdict.SURE and tried.best.low > 0
    stakes = at_stake(rows)
    fitted = fit_rules(rules, rows, stakes)[tried.rules.index[0]]
    new = blanks(22, slope=-1.6, lots=400, each=40)
    saved = 100 * stakes.saving(fitted.keep(new), new["good"].to_numpy(), fitted.minutes).mean()
    assert tried.best.low < saved < tried.best.high
    assert tried.by_lot["blanks"].sum() == len(rows) and tried.by_lot["lot"].nunique() == 20


def test_a_model_that_cannot_be_told_goes_on_with_all():
    rows = blanks(1, slope=0.0, lots=3, each=10).assign(good=1)
    assert fit_rules({"p": Signs((DENSITY,))}, rows, at_stake(rows))["p"].keep(rows).all()
    rows = rows.assign(scrape_min=np.where(rows["lot"] == rows["lot"].iloc[0], np.nan, 30.0))
    assert lacking(rows, "scrape_min", [DENSITY]) is Lack.BLANKS


def test_what_there_is_too_little_of_is_named():
    rows = blanks(2, slope=0.0, lots=8, each=10).assign(scrape_min=30.0)
    assert lacking(rows, "scrape_min", [DENSITY]) is None
    assert lacking(rows, "scrape_min", []) is Lack.NOTES
    assert lacking(rows.assign(good=1), "scrape_min", [DENSITY]) is Lack.FAILURES
    assert lacking(rows.assign(good=0), "scrape_min", [DENSITY]) is Lack.GOOD_ONES
    assert lacking(rows.assign(scrape_min=0.0), "scrape_min", [DENSITY]) is Lack.MINUTES


def test_a_rule_that_is_not_found_again_without_some_lots_is_not_judged():
    # Too little to tell the slope with half of the lots: the rule of all of them stops some blanks,
    # those of the folds none, so there is no spread and no interval of nothing to nothing.
    class Once(Signs):
        def read(self, model, data, stakes):
            return super().read(model, data, stakes) if len(data) == 480 else GO_ON

    rows = blanks(4, slope=-1.6)
    tried = try_rules(rows, {"once": Once((DENSITY,))}, at_stake)
    assert tried.verdict is Verdict.SURE and not tried.follow
    assert tried.best is None and tried.rules.empty


def test_claims_intervals_and_regret_come_true_on_small_benches(few_folds):
    """On 80 small benches, truths drawn: grades and intervals hold, regret is as stated."""
    stated, true, held = [], [], []
    claims = {Verdict.SURE: [], Verdict.LIKELY: []}
    rule = {"p": Signs((DENSITY,))}
    for seed in range(80):
        rng = np.random.default_rng(seed)
        slope, base = rng.normal(0, 0.7), rng.normal(0.3, 0.3)
        rows = blanks(seed, slope, lots=9, each=20, base=base)
        tried = try_rules(rows, rule, at_stake)
        stakes = at_stake(rows)
        fitted = fit_rules(rule, rows, stakes)["p"]
        x = rng.normal(size=4000)
        chance = expit(base + slope * x + rng.normal(0, 0.4, 4000))
        saved = stakes.saving(fitted.keep(pd.DataFrame({"density": 0.035 * x})), chance).mean()
        if tried.best:
            stated.append(tried.best.regret / 100)
            true.append(max(-saved, 0) if tried.follow else max(saved, 0))
            held.append(tried.best.low <= 100 * saved <= tried.best.high)
        if tried.follow:
            claims[tried.verdict].append(saved > 0)
    # Said with 0.9 and more, and with 2/3 and more; each bound fails once in a hundred times.
    for verdict, least in ((Verdict.SURE, 0.9), (Verdict.LIKELY, 2 / 3)):
        said = claims[verdict]
        assert len(said) >= 5 and sum(said) >= stats.binom.ppf(0.01, len(said), least)
    # Three standard errors.
    assert len(held) > 20 and np.mean(held) > 0.9 - 3 * (0.09 / len(held)) ** 0.5
    worse = np.subtract(true, stated)
    assert worse.mean() < worse.std() / np.sqrt(len(worse))
