"""NUTS on the model of posterior_speed.py; that script runs this one in PyMC's environment.

    nuts/bin/python tests/benchmarks/posterior_speed_nuts.py reeds.csv 1000 0.8

Reads the reeds, compiles, draws four chains with nutpie and prints a line of JSON: seconds, the
worst R-hat and effective size, and mean and sd of each parameter. The priors are those of
``reedlab.mixed.posterior.priors``, written out by hand; effects are sampled uncentred (u = sd * v).
"""

from __future__ import annotations

import json
import sys
import time

import arviz as az
import numpy as np
import nutpie
import pandas as pd
import pymc as pm

GROUPS = {"sd supplier": "supplier", "sd supplier:lot": "lot", "sd maker": "maker"}


def model(data: pd.DataFrame) -> pm.Model:
    """Success by density and season, with suppliers, lots and makers as groups."""
    columns = {"scale(density)": (data["density"] - data["density"].mean()) / data["density"].std()}
    for season in ("summer", "autumn", "winter"):
        columns[f"season[T.{season}]"] = (data["season"] == season).astype(float)
    X = pd.DataFrame(columns)
    with pm.Model() as made:
        eta = pm.Normal("middle", 0.0, 2.5)
        intercept = eta
        for name, x in X.items():
            slope = pm.Normal(name, 0.0, 2.5)
            eta = eta + slope * (x - x.mean()).to_numpy()
            intercept = intercept - slope * x.mean()
        pm.Deterministic("Intercept", intercept)
        for name, group in GROUPS.items():
            index, levels = pd.factorize(data[group])
            sd = pm.HalfNormal(name, 0.75)
            eta = eta + sd * pm.Normal(f"v {group}", 0.0, 1.0, shape=len(levels))[index]
        pm.Bernoulli("y", logit_p=eta, observed=data["success"].to_numpy())
    return made


def main() -> None:
    """Compile, sample, summarise."""
    data, draws, accept = pd.read_csv(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    at, busy = time.perf_counter(), time.process_time()
    compiled = nutpie.compile_pymc_model(model(data))
    compiled_at, compiled_busy = time.perf_counter(), time.process_time()
    trace = nutpie.sample(
        compiled,
        chains=4,
        draws=draws,
        tune=draws,
        seed=1,
        target_accept=accept,
        progress_bar=False,
    )
    seconds = {
        "compile": compiled_at - at,
        "compile_cpu": compiled_busy - busy,
        "sample": time.perf_counter() - compiled_at,
        "sample_cpu": time.process_time() - compiled_busy,
    }
    told = trace.posterior
    found = {}
    for name in told.data_vars:
        a = told[name].to_numpy()
        if a.ndim == 2 and name != "middle" and "__" not in name:
            size = min(float(az.ess(a, method="bulk")), float(az.ess(a, method="tail")))
            found[name] = [float(np.mean(a)), float(np.std(a)), float(az.rhat(a)), size]
    print(json.dumps({**seconds, "parameters": found}))


if __name__ == "__main__":
    main()
