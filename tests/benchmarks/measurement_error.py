"""How the corrected slope does over hundreds of made-up benches: bias and coverage.

Run by hand, ``python tests/benchmarks/measurement_error.py [bias_benches benches replicates]``.
Each bench has 4 suppliers, 5 lots each, 25 reeds a lot; the sd of the error comes from a gauge
study of its own (10 pieces, 2 hands, 3 readings: 40 degrees of freedom).
"""

import sys

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.mixed.design.matrices import build
from reedlab.mixed.engine.fitted import fit_design
from reedlab.mixed.gaps.measurement_error import ReadingError

FORMULA = "y ~ hardness + maker + (1 | supplier/lot)"
DF = 40


def bench(rng, reliability, slope=0.6, family="binomial", suppliers=4, lots=5, reeds=25):
    """One made-up bench and the error's sd as a gauge study would give it.

    The truth has sd 1 within lots; `reliability` is the readings' within lots.
    """
    lot = np.repeat(np.arange(suppliers * lots), reeds)
    supplier, n = lot // lots, len(lot)
    truth = rng.normal(0, 0.4, suppliers)[supplier] + rng.normal(0, 0.4, suppliers * lots)[lot]
    truth = truth + rng.normal(size=n)
    sd = np.sqrt(1 / reliability - 1)
    maker = rng.integers(2, size=n)
    eta = 0.4 + slope * truth - 0.3 * maker
    eta = eta + rng.normal(0, 0.4, suppliers)[supplier] + rng.normal(0, 0.3, suppliers * lots)[lot]
    if family == "binomial":
        y = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)
    else:
        y = eta + rng.normal(size=n)
    data = pd.DataFrame(
        {
            "y": y,
            "hardness": truth + rng.normal(0, sd, n),
            "truth": truth,
            "supplier": pd.Categorical([f"s{i}" for i in supplier]),
            "lot": pd.Categorical([f"l{i}" for i in lot]),
            "maker": pd.Categorical(np.where(maker, "b", "a")),
        }
    )
    return data, ReadingError(sd * np.sqrt(rng.chisquare(DF) / DF), DF)


def study(reliability, benches, replicates, family="binomial", slope=0.6, seed=1):
    """Return one row a bench: slopes uncorrected, corrected and with the truth known; covered."""
    rows = []
    for child in np.random.SeedSequence(seed).spawn(benches):
        data, error = bench(np.random.default_rng(child), reliability, slope, family)
        known = build(FORMULA.replace("hardness", "truth"), data, family)[0]
        try:
            found = rl.fit_corrected(
                FORMULA, data, family, reading_error={"hardness": error}, replicates=replicates
            )
        except ModelError:  # the reliability found is below one half
            continue
        low, high = found.conf_int().loc["hardness"]
        rows.append(
            {
                "uncorrected": found.summary()["uncorrected"]["hardness"],
                "corrected": found.fe_params["hardness"],
                "known": fit_design(known, family).beta[1],
                "covered": low <= slope <= high,
            }
        )
    return pd.DataFrame(rows)


def report_bias(rows, slope=0.6):
    """Biases with their Monte Carlo errors; the ratio is corrected to uncorrected."""
    off = rows[["uncorrected", "corrected", "known"]] - slope
    error = off.std() / np.sqrt(len(rows))
    parts = [f"{name} {off[name].mean():+.4f} ± {error[name]:.4f}" for name in off]
    ratio = off["corrected"].mean() / off["uncorrected"].mean()
    return f"{len(rows)} benches, bias: {'; '.join(parts)}; ratio {ratio:+.3f}"


def main(bias_benches=600, benches=200, replicates=60):
    """Print biases and coverage for both families and three reliabilities."""
    for family in ("binomial", "gaussian"):
        for reliability in (0.7, 0.8, 0.9):
            bias = report_bias(study(reliability, bias_benches, 0, family))
            print(family, reliability, bias, flush=True)
            covered = study(reliability, benches, replicates, family, seed=2)["covered"]
            print(
                f"  coverage of 95 % intervals {covered.mean():.3f} of {len(covered)}", flush=True
            )


if __name__ == "__main__":
    with threadpool_limits(1):
        main(*map(int, sys.argv[1:]))
