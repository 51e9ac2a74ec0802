"""What a pending reed says of its outcome, against SciPy's log-normals and a bench cut at today."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import logit
from scipy.stats import lognorm

from reedlab.decide.evidence import gather
from reedlab.decide.shared_models.models import Spec, fit_models
from reedlab.decide.shared_models.waits import Waits
from reedlab.records import Bench

GOOD, FAILED = lognorm(0.3, scale=100.0), lognorm(0.8, scale=15.0)
CHANCE = 0.6


def cut_at_today(seed: int, n: int, noted: bool) -> Bench:
    """Reeds of six lots over 400 days; what was judged by the last day is known."""
    rng = np.random.default_rng(seed)
    good = rng.random(n) < CHANCE
    wait = np.where(good, GOOD.rvs(n, random_state=rng), FAILED.rvs(n, random_state=rng))
    tied = pd.Timestamp("2025-01-01") + pd.to_timedelta(rng.integers(0, 400, n), unit="D")
    judged = tied + pd.to_timedelta(np.floor(wait), unit="D")
    known = judged <= pd.Timestamp("2026-02-04")
    lots = pd.DataFrame({"lot": [*"abcdef"], "supplier": ["teal", "plum"] * 3})
    reeds = pd.DataFrame(
        {
            "reed": [str(i) for i in range(n)],
            "lot": rng.choice([*"abcdef"], n),
            "maker": "A",
            "tied_on": tied,
            "outcome": np.where(known, np.where(good, "good", "reject"), None),
        }
    )
    if noted:
        reeds["judged_on"] = judged.where(known)
    return Bench.from_tables({"lots": lots, "reeds": reeds}, check=False, today="2026-02-04")


@pytest.mark.parametrize(("noted", "off"), [(True, 0.35), (False, 1.0)])
def test_the_odds_of_a_pending_reed_are_those_of_its_waits(noted, off):
    evidence = gather(cut_at_today(1, 6000, noted))
    reeds = pd.concat([evidence.reeds, evidence.pending], ignore_index=True)
    waits = Waits.of(reeds)
    age = np.exp(waits.age[waits.unknown]) - 0.5
    true = GOOD.logsf(age) - FAILED.logsf(age)
    rng = np.random.default_rng(2)
    eta = np.full(len(true), logit(CHANCE))
    proposed = waits.proposed()
    drawn = [proposed.log_odds(eta, rng) for _ in range(8)]
    young = (age > 3) & (age < 60)
    assert np.mean(drawn, axis=0)[young] == pytest.approx(true[young], abs=off)


def test_what_is_pending_does_not_make_success_look_rarer():
    """Outcomes known so far are mostly failures: their share is too low, the drawn one is not."""
    evidence = gather(cut_at_today(3, 1500, noted=True))
    known = evidence.reeds["success"].mean()
    assert known < CHANCE - 0.04
    settled = Spec(changing=False, settled=True)
    models = fit_models(evidence, draws=1000, spec=Spec(changing=False))
    cut = fit_models(evidence, draws=1000, spec=settled)
    chance = np.median(models.success.expected_chance())
    assert chance == pytest.approx(CHANCE, abs=0.03)
    widths = [np.ptp(np.quantile(m.success.expected_chance(), [0.05, 0.95])) for m in (models, cut)]
    assert widths[0] < widths[1]
    pending, good = len(evidence.pending), "should turn out good by how long they have waited"
    assert models.notes[0].startswith(f"Pending reeds: {pending}, of which about ")
    assert good in models.notes[0] and not any(good in note for note in cut.notes)


def test_a_reed_pending_for_longer_than_any_waits_counts_neither_way():
    bench = cut_at_today(4, 300, noted=True)
    reeds = bench.tables["reeds"].copy()
    reeds.loc[reeds.index[:3], ["tied_on", "outcome", "judged_on"]] = [
        pd.Timestamp("2024-01-01"), None, pd.NaT,
    ]  # fmt: skip
    old = gather(Bench.from_tables({"lots": bench.tables["lots"], "reeds": reeds}, check=False))
    assert old.notes[0].startswith("Pending for more than ") and "waits: 3." in old.notes[0]
    assert (old.pending["tied_on"] > "2025-01-01").all()
