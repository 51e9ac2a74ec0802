"""Thousands of small benches whose truth is drawn from the models' priors.

Run by hand::

    OMP_NUM_THREADS=1 .venv/bin/python tests/benchmarks/decisions_suppliers.py 2000 2

with the number of benches and of processes. For each claim of the answers about suppliers it prints
what was said on average, how often it came true, and the difference in standard errors; it ends
with 1 if any claim of an interval or a probability is off by more than four of them, or if the
expected regret is worse than stated.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path

import joblib
import pandas as pd

_FILE = Path(__file__).resolve().parent.parent / "decide" / "suppliers" / "calibrating.py"


def _load():
    spec = importlib.util.spec_from_file_location("calibrating", _FILE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _rows(seed: int) -> pd.DataFrame:
    # Small benches of several shapes: three to five suppliers, one to four lots, 5 to 20 reeds.
    return _load().one_bench(seed, 3 + seed % 3, (1, 4), (5, 20), 2000)


def main(benches: int, processes: int) -> int:
    """Simulate, print the table, and say whether every claim holds."""
    began = time.perf_counter()
    rows = pd.concat(joblib.Parallel(processes)(joblib.delayed(_rows)(s) for s in range(benches)))
    table = _load().calibration(rows)
    print(table.round(3).to_string(index=False))
    print(f"{benches} benches in {time.perf_counter() - began:.0f} s")
    regret = table["claim"].str.startswith("regret")
    return int((table.loc[~regret, "z"].abs() > 4).any() or (table.loc[regret, "z"] > 3).any())


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
