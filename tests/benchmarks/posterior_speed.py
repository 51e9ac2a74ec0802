"""How long reedlab's posterior takes beside NUTS, on the same reeds and with the same priors.

Run by hand from the repository's root, on a quiet machine, with an environment that holds PyMC and
nutpie (see ``tests/reference/nuts.py``):

    python tests/benchmarks/posterior_speed.py --nuts nuts/bin/python

3,840 reeds, eight suppliers with twelve lots each, four makers crossed with them, density and
season: eight parameters and the groups' effects. NUTS draws four chains of 1,000 after as many for
tuning, as is customary; its R-hat and effective size are printed, since what has not converged is
no comparison: ``--accept 0.95 --draws 4000`` is about what convergence takes here. reedlab's time
includes the fit that the posterior starts from; NUTS's is given with and without compiling.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from engine_speed import FORMULA, reeds

import reedlab as rl


def ours(data: pd.DataFrame, repeats: int) -> tuple[dict[str, float], pd.DataFrame]:
    """Return median seconds, elapsed and of processor, and the table of parameters."""
    elapsed, cpu = [], []
    for _ in range(repeats + 1):
        at, busy = time.perf_counter(), time.process_time()
        post = rl.fit(FORMULA, data, family="binomial").posterior()
        elapsed.append(time.perf_counter() - at)
        cpu.append(time.process_time() - busy)
    told = post.summary()[["mean", "sd"]]
    seconds = {"sample": float(np.median(elapsed[1:])), "sample_cpu": float(np.median(cpu[1:]))}
    print(post.diagnostics()[["check", "value", "limit", "ok"]].to_string(index=False))
    return seconds, told


def theirs(data: pd.DataFrame, python: str, draws: int, accept: float) -> dict:
    """Run NUTS in its own environment and return what it prints."""
    script = Path(__file__).with_name("posterior_speed_nuts.py")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "reeds.csv"
        data.to_csv(path, index=False)
        command = [python, str(script), str(path), str(draws), str(accept)]
        environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    return json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    """Run both and print seconds, ratios, and the parameters side by side."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nuts", required=True, help="a Python that has PyMC and nutpie")
    parser.add_argument("--lots", type=int, default=96)
    parser.add_argument("--draws", type=int, default=1000, help="NUTS's draws a chain, and tuning")
    parser.add_argument("--accept", type=float, default=0.8, help="NUTS's target acceptance")
    parser.add_argument("--repeats", type=int, default=5, help="reedlab's posteriors, for medians")
    args = parser.parse_args()
    data = reeds(3_840, 8, args.lots, 4)
    mine, table = ours(data, args.repeats)
    nuts = theirs(data, args.nuts, args.draws, args.accept)
    found = pd.DataFrame(nuts["parameters"], index=["nuts_mean", "nuts_sd", "rhat", "ess"]).T
    table = table.join(found)
    table["apart_in_sds"] = (table["mean"] - table["nuts_mean"]) / table["nuts_sd"]
    print(table.round(3).to_string())
    converged = table["rhat"].max() < 1.01 and table["ess"].min() > 400
    print(
        f"\nNUTS: worst R-hat {table['rhat'].max():.3f}, least effective size "
        f"{table['ess'].min():.0f}: {'converged' if converged else 'NOT converged'}"
    )
    for what, suffix in (("elapsed", ""), ("processor", "_cpu")):
        sampling, compiling = nuts["sample" + suffix], nuts["compile" + suffix]
        own = mine["sample" + suffix]
        print(
            f"{what:>9}: reedlab {own:.2f} s; NUTS {sampling:.1f} s, {sampling / own:.0f} times as "
            f"long; with compiling {sampling + compiling:.1f} s, "
            f"{(sampling + compiling) / own:.0f} times"
        )


if __name__ == "__main__":
    main()
