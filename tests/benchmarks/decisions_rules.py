"""Count how often what is said of rules comes true, on 2,000 small benches whose truth is drawn.

    OMP_NUM_THREADS=1 .venv/bin/python tests/benchmarks/decisions_rules.py [benches] [jobs]

Each bench has one measure or three, 6 to 20 lots of 20 reeds, and slopes per standard deviation
that are normal on the logit with a standard deviation of 0.7 in all. The rule that is found is
followed on its true world; counted are the claims of each grade that were true, the intervals of
the saving that held it, and regret stated and met. It ends with 1 if intervals hold less often than
they say, or if regret is worse than stated, by more than three standard errors.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy import special

from reedlab.decide.answer import Verdict
from reedlab.decide.stopping.break_even import Stakes
from reedlab.decide.stopping.rules import Measure, Signs, fit_rules
from reedlab.decide.stopping.tryout import try_rules

LOT_SD, SLOPE_SD, STEP = 0.4, 0.7, 0.035


def at_stake(rows: pd.DataFrame) -> Stakes:
    """Return stakes like those of the demo, in money."""
    success = (rows["good"].sum() + 0.5) / (len(rows) + 1)
    return Stakes.at_replacement(success, if_good=12.0, if_bad=11.0, sunk=4.0, minute=0.3)


def one(seed: int) -> dict[str, float]:
    """Make a bench up, ask, and follow the answer on the world it came from."""
    rng = np.random.default_rng(seed)
    measures = tuple(Measure(f"x{i}", f"x{i}", "", 0.005, 0.0) for i in range(rng.choice([1, 3])))
    names, lots, base = [m.column for m in measures], rng.integers(6, 21), rng.normal(0.3, 0.3)
    slopes = rng.normal(0, SLOPE_SD / np.sqrt(len(measures)), len(measures))
    lot = np.repeat(np.arange(lots), 20)
    x = rng.normal(size=(len(lot), len(measures)))
    chance = special.expit(base + x @ slopes + rng.normal(0, LOT_SD, lots)[lot])
    rows = pd.DataFrame(STEP * x, columns=names).assign(
        lot=[f"L{i:02d}" for i in lot], good=(rng.random(len(lot)) < chance).astype(int)
    )
    rules = {"one sign": Signs(measures), "signs together": Signs(measures, together=2)}
    tried, stakes = try_rules(rows, rules, at_stake), at_stake(rows)
    said = {"measures": len(measures), "tried": int(tried.best is not None), "follow": 0}
    said |= {"grade": tried.verdict.value}
    said |= {"regret": 0.0, "stated": 0.0}
    if tried.best is None:
        return said
    fitted = fit_rules(rules, rows, stakes)[tried.rules.index[0]]
    new = rng.normal(size=(20_000, len(measures)))
    p = special.expit(base + new @ slopes + rng.normal(0, LOT_SD, len(new)))
    keep = fitted.keep(pd.DataFrame(STEP * new, columns=names))
    saved = 100 * stakes.saving(keep, p).mean()
    follow = tried.follow
    return said | {
        "follow": int(follow),
        "verdict": tried.verdict.value,
        "prob": tried.prob,
        "notice": 100 * stakes.notice,
        "saved": saved,
        "said": tried.best.saving,
        "uncorrected": tried.best.saving + tried.best.optimism,
        "held": float(tried.best.low <= saved <= tried.best.high),
        "width": tried.best.high - tried.best.low,
        "regret": max(-saved, 0.0) if follow else max(saved, 0.0),
        "stated": tried.best.regret,
    }


def main(benches: int = 2000, jobs: int = 2) -> int:
    """Simulate, print what was said beside what came true, and say whether it holds."""
    found = pd.DataFrame(Parallel(n_jobs=jobs)(delayed(one)(seed) for seed in range(benches)))
    tried = found[found["tried"] == 1]
    claims = tried[tried["follow"] == 1]
    print(f"{benches} benches; {len(tried)} with a rule to judge, {len(claims)} follow it")
    for grade in (Verdict.SURE, Verdict.LIKELY):
        said = claims.loc[claims["grade"] == grade.value, "saved"]
        print(f"{grade.value} that a rule saves: {len(said)}, true {(said > 0).mean():.3f}")
    silent = tried.loc[tried["grade"] == Verdict.CANNOT_SAY.value, "saved"]
    print(f"cannot say: {len(silent)}, a rule would have saved {(silent > 0).mean():.3f}")
    rest = tried.loc[(tried["follow"] == 0) & (tried["grade"] != Verdict.CANNOT_SAY.value)]
    print(f"not worth it: {len(rest)}, a rule would have saved {(rest['saved'] > 0).mean():.3f}")
    held, se = tried["held"].mean(), np.sqrt(0.09 / len(tried))
    print(f"90 % intervals that held the saving: {held:.3f} (standard error {se:.3f})")
    by = tried.groupby("measures")["held"].agg(["size", "mean"])
    print(
        "by measures:",
        ", ".join(f"{k}: {r['mean']:.3f} of {r['size']:.0f}" for k, r in by.iterrows()),
    )
    middle = {name: tried[name].mean() for name in ("said", "saved", "uncorrected", "width")}
    print("for 100 blanks:", ", ".join(f"{name} {value:.1f}" for name, value in middle.items()))
    worse = found["regret"] - found["stated"]
    off = worse.std() / np.sqrt(benches)
    print(
        f"regret for 100 blanks: stated {found['stated'].mean():.2f}, met "
        f"{found['regret'].mean():.2f} (standard error of the difference {off:.2f})"
    )
    return int(held < 0.9 - 3 * se or worse.mean() > 3 * off)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
