"""How filling in does over hundreds of made-up benches: bias, coverage, width.

    python tests/benchmarks/missing.py [--benches 200] [--m 20] [--jobs 2] [--family binomial ...]

Each bench has 5 suppliers, 4 lots each, 15 reeds a lot, a measurement with a true slope, and
minutes that hang on the outcome. Readings are then removed

* at random: four in ten;
* by supplier and outcome: of some suppliers nearly all pieces are measured, of others few, and
  pieces whose reeds failed (or took long, where minutes are the response) more than others;
* whole lots: eight of the twenty, two of every supplier but one.

Printed beside one another for the same benches: nothing removed, the unmeasured left out, and
filled in. `error` is the Monte Carlo error of the bias, `95 %` and `90 %` are coverages of the
intervals, `lowest` and `highest` what binomial chance allows a right 95 % interval in a table of
that many rows (Bonferroni, 95 % together).
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import binom

from reedlab.mixed.design.matrices import build
from reedlab.mixed.gaps import missing
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors

SUPPLIERS, LOTS, REEDS = 5, 4, 15
SLOPE, INTERCEPT = 0.6, 0.4
PATTERNS = ("at random", "by supplier and outcome", "whole lots")
FORMULA = "y ~ hardness + maker + (1 | supplier/lot)"
LEVELS = (0.90, 0.95)


def bench(rng: np.random.Generator, family: str) -> tuple[pd.DataFrame, dict[str, float]]:
    """One made-up bench, all of it measured, and its truths."""
    lot = np.repeat(np.arange(SUPPLIERS * LOTS), REEDS)
    supplier, n = lot // LOTS, len(lot)
    of_supplier = rng.normal(0.0, 0.4, SUPPLIERS)
    hardness = rng.normal(0.0, 0.3, SUPPLIERS)[supplier] + rng.normal(size=n)
    hardness += rng.normal(0.0, 0.4, SUPPLIERS * LOTS)[lot]
    maker = rng.integers(2, size=n)
    eta = INTERCEPT + SLOPE * hardness - 0.3 * maker + of_supplier[supplier]
    eta += rng.normal(0.0, 0.3, SUPPLIERS * LOTS)[lot]
    if family == "binomial":
        y = (rng.random(n) < expit(eta)).astype(float)
    else:
        y = eta + rng.normal(size=n)
    minutes = 3.5 + 0.1 * y + 0.1 * hardness + rng.normal(0.0, 0.3, n)
    minutes[rng.random(n) < 0.1] = np.nan
    frame = pd.DataFrame(
        {
            "y": y,
            "hardness": hardness,
            "log_scrape_min": minutes,
            "supplier": pd.Categorical([f"s{i}" for i in supplier]),
            "lot": pd.Categorical([f"l{i:02d}" for i in lot]),
            "maker": pd.Categorical(np.where(maker, "b", "a")),
        }
    )
    truths = {"hardness": SLOPE, "Intercept": INTERCEPT}
    return frame, truths | {f"s{i}": INTERCEPT + e for i, e in enumerate(of_supplier)}


def remove(frame: pd.DataFrame, pattern: str, rng: np.random.Generator) -> pd.DataFrame:
    """Take readings out."""
    n, supplier = len(frame), frame["supplier"].cat.codes.to_numpy()
    if pattern == "at random":
        gone = rng.random(n) < 0.4
    elif pattern == "whole lots":
        within = frame["lot"].cat.codes.to_numpy() % LOTS
        gone = (within < 2) & (supplier < SUPPLIERS - 1)
    else:
        y = frame["y"].to_numpy()
        bad = np.where(y == 0, 1.0, -1.0) if set(y) <= {0.0, 1.0} else np.clip(y, -2.0, 2.0)
        gone = rng.random(n) > expit(np.linspace(2.0, -1.0, SUPPLIERS)[supplier] + bad)
    return frame.assign(hardness=frame["hardness"].mask(gone))


def one_bench(
    seed: np.random.SeedSequence, pattern: str, family: str, m: int
) -> list[dict[str, object]]:
    """Estimate, interval and truth of each quantity by each method on one bench."""
    rng = np.random.default_rng(seed)
    full, truths = bench(rng, family)
    gappy = remove(full, pattern, rng)
    also = ("log_scrape_min",)
    posts = {}
    for method, data in (("nothing removed", full), ("left out", gappy)):
        design, recipe = build(FORMULA, data, family)
        priors = Priors.default(family, design.y)
        posts[method] = design_posterior(design, family, priors, draws=2000, recipe=recipe)
    seed_of_draws = int(rng.integers(2**31))
    posts["filled in"] = missing.fit_filled(
        FORMULA, gappy, family, also=also, m=m, draws=2000, seed=seed_of_draws
    )
    which = f"s{rng.integers(SUPPLIERS)}"
    rows = []
    for method, post in posts.items():
        draws = post.draws()[["hardness", "Intercept"]]
        draws["supplier"] = draws["Intercept"] + post.levels_draws("supplier")[which]
        for name in draws:
            truth = truths[which if name == "supplier" else name]
            row = {"method": method, "what": name, "off": draws[name].mean() - truth}
            for level in LEVELS:
                low, high = draws[name].quantile([(1 - level) / 2, (1 + level) / 2])
                row[f"{level:.0%}"] = low <= truth <= high
            rows.append(row | {"width": high - low})
    return rows


def table(rows: list[dict[str, object]], together: int) -> pd.DataFrame:
    """Bias, coverage and width of each quantity by each method, with what chance allows."""
    frame = pd.DataFrame(rows)
    by = frame.groupby(["what", "method"], sort=False)
    n = len(frame) // by.ngroups
    out = by.agg(bias=("off", "mean"), error=("off", lambda x: x.std() / np.sqrt(n)))
    out = out.join(by[["90%", "95%"]].mean()).join(by["width"].mean())
    tail = 0.025 / together
    out["lowest"], out["highest"] = binom.ppf([tail, 1.0 - tail], n, 0.95) / n
    return out.reset_index()


def main() -> None:
    """Run what the command line asks for and print a table for each family and pattern."""
    from joblib import Parallel, delayed
    from threadpoolctl import threadpool_limits

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--m", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="+", default=["binomial", "gaussian"])
    parser.add_argument("--pattern", nargs="+", default=list(PATTERNS), choices=PATTERNS)
    args = parser.parse_args()
    started = time.perf_counter()
    with threadpool_limits(1), Parallel(n_jobs=args.jobs, batch_size=2) as pool:
        for family in args.family:
            for pattern in args.pattern:
                seeds = np.random.SeedSequence([args.seed, PATTERNS.index(pattern)])
                found = pool(
                    delayed(one_bench)(seed, pattern, family, args.m)
                    for seed in seeds.spawn(args.benches)
                )
                told = table([row for rows in found for row in rows], 9 * len(PATTERNS))
                print(f"\n{family}, removed {pattern}, {args.benches} benches, m = {args.m}")
                print(told.round(3).to_string(index=False), flush=True)
    print(f"\n{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
