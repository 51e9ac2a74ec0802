"""Count how often what is said of rules comes true, on 2,000 small benches whose truth is drawn.

    .venv/bin/python tests/benchmarks/decisions_rules.py [benches]

Each bench has one measure whose slope per standard deviation is normal(0, 0.7) on the logit, 9 to
20 lots of 20 reeds. The rule that is found is followed on its true world; counted are the claims
("follow") that were false, the intervals of the saving that held it, and regret stated and met.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy import special

from reedlab.decide.rules import Measure, PredictedSuccess, Stakes, Windows, fit_rules
from reedlab.decide.tryout import try_rules

MEASURE = Measure("density", "density", "g/cm³", 0.005, 0.0)
RULES = {"predicted": PredictedSuccess((MEASURE,)), "windows": Windows((MEASURE,))}
LOT_SD = 0.4


def at_stake(rows: pd.DataFrame) -> Stakes:
    """Return stakes like those of the demo, in money."""
    success = (rows["good"].sum() + 0.5) / (len(rows) + 1)
    return Stakes.at_replacement(success, if_good=12.0, if_bad=11.0, sunk=4.0, minute=0.3)


def one(seed: int) -> dict[str, float]:
    """Make a bench up, ask, and follow the answer on the world it came from."""
    rng = np.random.default_rng(seed)
    lots, slope, base = rng.integers(9, 21), rng.normal(0, 0.7), rng.normal(0.3, 0.3)
    lot = np.repeat(np.arange(lots), 20)
    x = rng.normal(size=len(lot))
    chance = special.expit(base + slope * x + rng.normal(0, LOT_SD, lots)[lot])
    rows = pd.DataFrame(
        {
            "lot": [f"L{i:02d}" for i in lot],
            "good": (rng.random(len(lot)) < chance).astype(int),
            "density": 0.035 * x,
        }
    )
    tried, stakes = try_rules(rows, RULES, at_stake, folds=4), at_stake(rows)
    if not tried.best:
        return {"lots": lots, "tried": 0, "follow": 0, "regret": 0.0, "stated": 0.0}
    fitted = fit_rules(RULES, rows, stakes)[tried.rules.index[0]]
    new = rng.normal(size=20_000)
    p = special.expit(base + slope * new + rng.normal(0, LOT_SD, len(new)))
    saved = 100 * stakes.saving(fitted.keep(pd.DataFrame({"density": 0.035 * new})), p).mean()
    follow = tried.answer == "follow"
    return {
        "lots": lots,
        "tried": 1,
        "follow": int(follow),
        "saved": saved,
        "said": tried.best["saving"],
        "uncorrected": tried.best["saving"] + tried.best["optimism"],
        "held": float(tried.best["low"] <= saved <= tried.best["high"]),
        "prob_saves": tried.best["prob_saves"],
        "regret": max(-saved, 0.0) if follow else max(saved, 0.0),
        "stated": tried.best["regret"],
    }


if __name__ == "__main__":
    benches = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    found = pd.DataFrame(Parallel(n_jobs=-1)(delayed(one)(seed) for seed in range(benches)))
    tried = found[found["tried"] == 1]
    claims = tried[tried["follow"] == 1]
    print(f"{benches} benches; {len(tried)} with a rule that expects to pay, {len(claims)} follow")
    print(f"recommended and true: {(claims['saved'] > 0).mean():.3f} of claims; ", end="")
    print(f"false on {(claims['saved'] <= 0).sum() / benches:.4f} of benches")
    print(f"90 % intervals that held the saving: {tried['held'].mean():.3f}")
    print(
        f"saving for 100: said {tried['said'].mean():.1f}, met {tried['saved'].mean():.1f}, ",
        end="",
    )
    print(f"uncorrected {tried['uncorrected'].mean():.1f}")
    print(f"regret for 100: stated {found['stated'].mean():.1f}, met {found['regret'].mean():.1f}")
    bins = pd.cut(tried["prob_saves"], [0, 0.25, 0.5, 0.75, 0.9, 0.95, 1.0], include_lowest=True)
    right = tried.groupby(bins, observed=True).agg(
        benches=("saved", "size"),
        stated=("prob_saves", "mean"),
        came_true=("saved", lambda s: (s > 0).mean()),
    )
    print(right.round(3).to_string())
