"""Which blanks to give up: what is known by then, what leaks from the end, and what it saves."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import reedlab as rl
from reedlab.decide.answer import Verdict
from reedlab.decide.stopping.after_roughing import (
    giving_up,
    minutes_at_stake,
    roughed_blanks,
    usable,
)
from reedlab.decide.stopping.tryout import Lack
from reedlab.elementary import independent
from reedlab.records import Bench


@cache
def bench(seed=3, reeds=700):
    return rl.simulate_bench(seed=seed, reeds=reeds)[0]


def with_openings(own, of_success, seed=1):
    """Note every opening anew: small with a chance that hangs on the end, else medium."""
    rng = np.random.default_rng(seed)
    reeds = own.tables["reeds"].copy()
    good = reeds["outcome"].isin(["good"]).to_numpy()
    small = rng.random(len(reeds)) < np.where(good, *of_success)
    reeds["opening"] = np.where(small, "small", "medium")
    reeds["crow"] = "on"
    return Bench.from_tables({**own.tables, "reeds": reeds}, check=False)


def test_a_sign_that_marks_the_hopeless_is_followed():
    found = giving_up(with_openings(bench(), of_success=(0.02, 0.6)))
    assert found.follow and found.verdict is Verdict.SURE and found.best.low > 0
    assert found.claims["size"].item() == found.best.saving and found.claims["matters"].item()
    assert found.claims["probability"].item() > 0.95
    assert found.sentence().startswith("Give up blanks with a small opening")
    assert "minutes a month (" in found.sentence()
    sign = found.table.set_index("sign").loc["a small opening"]
    assert sign["low"] < sign["good"] < sign["high"] < 0.2
    assert 10 < sign["lots"] < sign["blanks"] and sign["pays"] < 0.1


def test_signs_that_say_nothing_are_not_followed():
    answers = [giving_up(with_openings(bench(seed), of_success=(0.3, 0.3))) for seed in (3, 4)]
    assert not any(answer.follow for answer in answers)
    assert Verdict.SURE in [answer.verdict for answer in answers]


def test_what_is_noted_only_of_failures_is_not_used():
    own = bench()
    reeds = own.tables["reeds"].copy()
    failed = ~reeds["outcome"].isin(["good"])
    reeds["fault"] = np.where(failed, "leaks at the sides", None)
    reeds["crow"] = reeds["crow"].astype(object).where(failed)
    cases, _ = roughed_blanks(Bench.from_tables({**own.tables, "reeds": reeds}, check=False))
    measures, notes = usable(cases)
    assert not {"leak", "crow_flat", "crow_sharp"} & {m.column for m in measures}
    assert any("a leak" in note and "far more often" in note for note in notes)


def test_blanks_lost_by_the_rough_scrape_are_sunk_not_judged():
    cases, already = roughed_blanks(bench())
    assert set(already["lost_at"].astype(str)) == {"tie", "rough"}
    assert not set(cases["reed"]) & set(already["reed"])
    stopped = bench().reeds.set_index("reed").loc[cases["reed"], "lost_at"].isin(["dry", "clip"])
    assert (cases.loc[stopped.to_numpy(), "finish_min"] == 0).all()


def test_minutes_at_stake_by_hand():
    # 6 of 10 good, 20 minutes to finish a good one and 10 a failure, 15 to rough, 5 before tying,
    # one blank in five lost on the way after 12 minutes. p = 6.5 / 11.
    cases = pd.DataFrame(
        {"good": [1] * 6 + [0] * 4, "rough_min": 15.0, "finish_min": [20.0] * 6 + [10.0] * 4}
    )
    found = minutes_at_stake(cases, tying=5.0, tries=0.2, lost=12.0)
    p = 6.5 / 11
    assert found.sunk == pytest.approx(5 * 1.2 + 0.2 * 12 + 15)
    assert found.value == pytest.approx((23.4 + p * 20 + (1 - p) * 10) / p)
    assert found.threshold == pytest.approx(10 / (found.value - 20 + 10))


def test_a_bench_too_small_cannot_tell_and_says_what_to_record():
    found = giving_up(rl.simulate_bench(seed=1, reeds=60, suppliers=2, lots=(2, 2))[0])
    assert found.verdict is Verdict.CANNOT_SAY and found.lacks is Lack.BLANKS and not found.follow
    assert "opening, crow and rough minutes" in found.record_next.what


def test_without_minutes_or_failures_it_says_so():
    """No finishing time is known to be saved: that every blank pays is no finding then."""
    own = bench()
    untimed = own.tables["reeds"].assign(rough_min=np.nan, finish_min=np.nan)
    tables = {**own.tables, "reeds": untimed, "sittings": own.tables["sittings"].head(0)}
    found = giving_up(Bench.from_tables(tables, check=False))
    assert found.verdict is Verdict.CANNOT_SAY and found.lacks is Lack.MINUTES
    assert (
        "have too few minutes noted to say which to give up. Note the minutes" in found.sentence()
    )
    assert len(found.table) and found.rules.empty and "saving" in found.rules
    fine = own.tables["reeds"].assign(outcome="good", lost_at=None)
    found = giving_up(Bench.from_tables({**own.tables, "reeds": fine}, check=False))
    assert found.lacks is Lack.FAILURES


def test_without_outcomes_it_says_what_is_missing():
    own = bench()
    reeds = own.tables["reeds"].assign(outcome=None)
    found = giving_up(Bench.from_tables({**own.tables, "reeds": reeds}, check=False))
    assert found.unanswered and "outcome of each reed" in found.record_next.what
    for name, frame in giving_up(with_openings(own, of_success=(0.3, 0.3))).tables.items():
        assert [*found.tables[name]] == [*frame], name


def test_a_share_over_alike_lots_is_worth_as_many_cases_as_its_robust_error_says():
    # Generalised estimating equations with an independence correlation give the same variance
    # between groups, without the factor of few groups L / (L - 1) (Liang and Zeger, 1986).
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    of = rng.integers(3, 20, 30)
    hits = rng.binomial(of, rng.beta(2, 2, 30))
    good = np.concatenate(
        [np.repeat([1.0, 0.0], [h, n - h]) for h, n in zip(hits, of, strict=True)]
    )
    fit = sm.GEE(good, np.ones_like(good), groups=np.repeat(np.arange(30), of)).fit()
    share, variance = good.mean(), fit.cov_params().item() * 30 / 29
    few = (stats.norm.ppf(0.95) / stats.t.ppf(0.95, 29)) ** 2
    assert independent(hits, of, 0.9) == pytest.approx(share * (1 - share) / variance * few)
    assert independent([4], [9], 0.9) == 1
    even = independent([2] * 30, [4] * 30, 0.9)  # lots more even than chance gain nothing
    assert even == pytest.approx(120 * few)
