"""Write nuts_bench.csv and nuts.json: what NUTS says of three models with reedlab's own priors.

Run it in an environment of its own (matplotlib 3.11 breaks arviz, so matplotlib < 3.11):

    python -m venv nuts && nuts/bin/pip install pymc nutpie arviz bambi "matplotlib<3.11"
    nuts/bin/python tests/reference/nuts.py               # all three models
    nuts/bin/python tests/reference/nuts.py ordinal       # one of them, the others kept

The models stand on one simulated bench: 5 suppliers, 3 to 5 lots each, about 25 reeds a lot, two
makers; success and log-minutes by maker, density, supplier and lot, a grade by maker, density and
lot. The priors are those of ``reedlab.mixed.posterior.priors`` and are written out by hand here:

* sds of suppliers and lots: half-normal, scale 0.75 (logit) or 0.25 (log-minutes)
* residual sd: half-normal, scale 1
* a coefficient: normal(0, 2.5 / sd(x)) for a measured column, normal(0, 2.5) for a 0/1 column
* the linear predictor where every column stands at its mean: normal(0, 2.5) on the logit scale,
  normal(mean response, 2.5) on log-minutes
* thresholds of grades where every column stands at its mean: normal(0, 5) each, kept in order

Groups' effects are sampled uncentred (u = sd * v), by nutpie; the summary is refused unless every
R-hat is under 1.01 and every effective size (bulk and tail) is over 4,000.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import arviz as az
import numpy as np
import nutpie
import pandas as pd
import pymc as pm

HERE = Path(__file__).parent
CHAINS, TUNE = 4, 3_000
DRAWS = {"binomial": 40_000, "gaussian": 40_000, "ordinal": 10_000}
GRADES = ["C", "B", "A"]


def bench(seed: int = 20261125) -> pd.DataFrame:
    """One small bench, in the columns that both models need."""
    rng = np.random.default_rng(seed)
    rows = []
    for s, supplier in enumerate(["blue", "green", "red", "white", "yellow"]):
        u, w = rng.normal(0, 0.5), rng.normal(0, 0.15)
        for lot in range(rng.integers(3, 6)):
            v, z = rng.normal(0, 0.35), rng.normal(0, 0.08)
            for _ in range(rng.integers(20, 31)):
                density = round(rng.normal(0.55 + 0.01 * s, 0.04), 3)
                maker = rng.choice(["HR", "TL"], p=[0.6, 0.4])
                eta = 0.2 + u + v - 6 * (density - 0.55) + 0.4 * (maker == "TL")
                minutes = 3.4 + w + z + 1.5 * (density - 0.55) - 0.1 * (maker == "TL")
                rows.append(
                    {
                        "supplier": supplier,
                        "lot": f"{supplier}-{lot + 1}",
                        "maker": maker,
                        "density_g_cm3": density,
                        "success": float(rng.random() < 1 / (1 + np.exp(-eta))),
                        "log_scrape_min": round(rng.normal(minutes, 0.35), 4),
                    }
                )
    made = pd.DataFrame(rows)
    rng = np.random.default_rng([seed, 1])  # of its own, so that what is above stays as it was
    lot, lots = pd.factorize(made["lot"])
    eta = rng.normal(0, 0.6, len(lots))[lot] - 8 * (made["density_g_cm3"] - 0.55)
    latent = eta + 0.5 * (made["maker"] == "TL") + rng.logistic(size=len(made))
    return made.assign(grade=np.array(GRADES)[np.digitize(latent, [-1.0, 0.8])])


def grades(data: pd.DataFrame) -> pm.Model:
    """The ordinal model, P(grade <= k) = F(threshold k - η), its priors written out."""
    lot, lots = pd.factorize(data["lot"])
    x1 = (data["maker"] == "TL").to_numpy(float)
    x2 = data["density_g_cm3"].to_numpy()
    y = pd.Categorical(data["grade"], categories=GRADES).codes
    ordered = pm.distributions.transforms.ordered
    with pm.Model() as m:
        cuts = pm.Normal("cuts", 0.0, 5.0, shape=2, transform=ordered, initval=[-1.0, 1.0])
        maker = pm.Normal("maker[T.TL]", 0.0, 2.5)
        density = pm.Normal("density_g_cm3", 0.0, 2.5 / x2.std(ddof=1))
        sd_lot = pm.HalfNormal("sd lot", 0.75)
        w = pm.Normal("w", 0, 1, shape=len(lots))
        eta = maker * (x1 - x1.mean()) + density * (x2 - x2.mean()) + sd_lot * w[lot]
        pm.OrderedLogistic("y", eta=eta, cutpoints=cuts, observed=y)
        for k, name in enumerate(("C|B", "B|A")):
            pm.Deterministic(name, cuts[k] + x1.mean() * maker + x2.mean() * density)
        for i, level in enumerate(lots):
            pm.Deterministic(f"lot {level}", sd_lot * w[i])
    return m


def model(data: pd.DataFrame, family: str) -> pm.Model:
    """The model of one family, its priors written out."""
    if family == "ordinal":
        return grades(data)
    supplier, suppliers = pd.factorize(data["supplier"])
    lot, lots = pd.factorize(data["lot"])
    x1 = (data["maker"] == "TL").to_numpy(float)
    x2 = data["density_g_cm3"].to_numpy()
    y = data["success" if family == "binomial" else "log_scrape_min"].to_numpy()
    scale = 0.75 if family == "binomial" else 0.25
    with pm.Model() as m:
        middle = pm.Normal("middle", 0.0 if family == "binomial" else y.mean(), 2.5)
        maker = pm.Normal("maker[T.TL]", 0.0, 2.5)
        density = pm.Normal("density_g_cm3", 0.0, 2.5 / x2.std(ddof=1))
        pm.Deterministic("Intercept", middle - x1.mean() * maker - x2.mean() * density)
        sd_supplier = pm.HalfNormal("sd supplier", scale)
        sd_lot = pm.HalfNormal("sd supplier:lot", scale)
        v = pm.Normal("v", 0, 1, shape=len(suppliers))
        w = pm.Normal("w", 0, 1, shape=len(lots))
        eta = (
            middle
            + maker * (x1 - x1.mean())
            + density * (x2 - x2.mean())
            + sd_supplier * v[supplier]
            + sd_lot * w[lot]
        )
        if family == "binomial":
            pm.Bernoulli("y", logit_p=eta, observed=y)
        else:
            pm.Normal("y", eta, pm.HalfNormal("sd Residual", 1.0), observed=y)
        for name, effects, sd in (("supplier", v, sd_supplier), ("supplier:lot", w, sd_lot)):
            levels = suppliers if name == "supplier" else lots
            for i, level in enumerate(levels):
                pm.Deterministic(f"{name} {level}", sd * effects[i])
    return m


def summary(trace: az.InferenceData, names: list[str]) -> dict:
    """Mean, sd and quantiles with their Monte Carlo errors; sds also on the log scale."""
    posterior = trace.posterior
    out = {}
    for name in names:
        values = {name: posterior[name]}
        if name.startswith("sd "):
            values[f"log {name}"] = np.log(posterior[name])
        for label, value in values.items():
            a = value.to_numpy()
            rhat = float(az.rhat(a))
            ess = min(float(az.ess(a, method="bulk")), float(az.ess(a, method="tail")))
            if rhat >= 1.01 or ess <= 4000:
                raise SystemExit(f"{label}: R-hat {rhat:.4f}, effective size {ess:.0f}")
            out[label] = {
                "mean": float(a.mean()),
                "sd": float(a.std()),
                "q05": float(np.quantile(a, 0.05)),
                "q50": float(np.quantile(a, 0.50)),
                "q95": float(np.quantile(a, 0.95)),
                "mcse_q05": float(az.mcse(a, method="quantile", prob=0.05)),
                "mcse_q50": float(az.mcse(a, method="quantile", prob=0.50)),
                "mcse_q95": float(az.mcse(a, method="quantile", prob=0.95)),
                "rhat": rhat,
                "ess": ess,
            }
    return out


def main() -> None:
    """Simulate, sample, refuse what has not converged, write."""
    data = bench()
    data.to_csv(HERE / "nuts_bench.csv", index=False)
    path = HERE / "nuts.json"
    result: dict = json.loads(path.read_text()) if path.exists() else {}
    result |= {
        "made_by": "tests/reference/nuts.py",
        "versions": {"pymc": pm.__version__, "nutpie": nutpie.__version__, "arviz": az.__version__},
        "chains": CHAINS,
        "draws": DRAWS,
    }
    for family in sys.argv[1:] or DRAWS:
        compiled = nutpie.compile_pymc_model(model(data, family))
        trace = nutpie.sample(
            compiled,
            chains=CHAINS,
            draws=DRAWS[family],
            tune=TUNE,
            seed=1,
            target_accept=0.99,
            progress_bar=False,
        )
        skipped = ("middle", "cuts", "v", "w", "y_probs")
        names = [n for n in trace.posterior.data_vars if n not in skipped and "__" not in n]
        result[family] = summary(trace, names)
        result[family + "_divergences"] = int(trace.sample_stats["diverging"].sum())
    path.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
