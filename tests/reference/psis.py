"""Write psis.json: Pareto smoothed importance sampling by arviz, on weights given by a formula.

Run it in the environment of ``nuts.py``:

    nuts/bin/python tests/reference/psis.py

The log weights are quantiles of known distributions at (i + 1/2) / S, so that both sides make them
without a generator of random numbers.
"""

from __future__ import annotations

import json
from pathlib import Path

import arviz as az
import numpy as np
from scipy import stats

CASES = {
    "nearly even": (stats.norm(scale=0.3), 1000),
    "uneven": (stats.norm(scale=1.5), 2500),
    "without a mean": (stats.expon(), 4000),
    "few": (stats.norm(scale=0.5), 60),
}


def main() -> None:
    """Smooth each case and write its k and its five largest smoothed weights."""
    result: dict = {"made_by": "tests/reference/psis.py", "arviz": az.__version__}
    for name, (distribution, size) in CASES.items():
        log_weight = distribution.ppf((np.arange(size) + 0.5) / size)
        smoothed, k = az.psislw(log_weight.copy())
        largest = np.exp(np.sort(smoothed)[-5:])
        result[name] = {"k": float(k), "largest": largest.tolist()}
    path = Path(__file__).with_name("psis.json")
    path.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
