"""How often orders are met that were planned at 90 %, on benches whose truth is known.

Run ``python tests/benchmarks/orders.py 300``: so many made-up benches, each with one order of 3 to
30 reeds. The simulator is independent of `reedlab.simulate`: suppliers and lots vary by half-normal
standard deviations of 0.75 on the logit, strengths by shares drawn once a bench. The plan is kept
to the letter: its blanks are tied of the lots that it names, and 400 such sittings are drawn from
the truth. Printed: the share of sittings in which the order is met, over all benches and over
orders of 20 and more, with its standard error between benches, and how often one blank fewer would
have met it.
"""

from __future__ import annotations

import re
import sys
import warnings

import numpy as np
import pandas as pd
from scipy.special import expit

import reedlab as rl
from reedlab.decide.orders.planning import NEW_CANE
from reedlab.records.bench import Bench
from reedlab.records.tables import STRENGTHS

SITTINGS = 400


def made(seed: int) -> tuple[Bench, dict[str, float], np.ndarray, int, str]:
    """Make a bench: the chance of each lot, the shares of strengths, and an order."""
    rng = np.random.default_rng([seed, 90])
    suppliers, sd_supplier, sd_lot = rng.integers(3, 7), *np.abs(rng.normal(0, 0.75, 2))
    base, rows, lots, chance = rng.normal(0.5, 0.5), [], [], {}
    shares = rng.dirichlet([2.0, 6.0, 8.0, 5.0, 2.0])
    for s in range(suppliers):
        effect = sd_supplier * rng.normal()
        for _ in range(rng.integers(2, 6)):
            lot = f"L{len(lots) + 1}"
            bought = pd.Timestamp("2024-01-01") + pd.Timedelta(days=int(rng.integers(0, 700)))
            lots.append((lot, f"s{s}", bought, 400, "piece"))
            chance[lot] = float(expit(base + effect + sd_lot * rng.normal()))
            for _ in range(rng.integers(10, 41)):
                tied = bought + pd.Timedelta(days=int(rng.integers(5, 60)))
                good = rng.random() < chance[lot]
                judged = tied + pd.Timedelta(days=9)
                kind = STRENGTHS[rng.choice(5, p=shares)] if good else None
                rows.append((lot, "AB", tied, "good" if good else "reject", kind, judged, judged))
    columns = ["lot", "maker", "tied_on", "outcome", "strength", "judged_on", "sold_on"]
    reeds = pd.DataFrame(rows, columns=columns).sort_values("tied_on", ignore_index=True)
    reeds.insert(0, "reed", [str(i) for i in range(len(reeds))])
    reeds["sold_on"] = reeds["sold_on"].where(reeds["outcome"] == "good")
    names = ["lot", "supplier", "bought_on", "quantity", "quantity_unit"]
    tables = {"reeds": reeds, "lots": pd.DataFrame(lots, columns=names)}
    last = reeds["judged_on"].max().date()
    kind = STRENGTHS[rng.choice(5, p=shares)] if rng.random() < 0.3 else ""
    return Bench.from_tables(tables, today=last), chance, shares, int(rng.integers(3, 31)), kind


def met(seed: int) -> tuple[int, float, float] | None:
    """Return the order's size, how often the plan met it, and how often one blank fewer would."""
    bench, chance, shares, reeds, kind = made(seed)
    by = pd.Timestamp(bench.today) + pd.Timedelta(days=60)
    row = rl.order(bench, reeds, f"{by.date()}", strength=kind).table.iloc[0]
    if row["chance"] < 0.9 or NEW_CANE in row["lots"]:
        return None
    lots = [lot for n, lot in re.findall(r"(\d+) of (\w+)", row["lots"]) for _ in range(int(n))]
    rng = np.random.default_rng([seed, 91])
    right = shares[STRENGTHS.index(kind)] if kind else 1.0
    good = rng.random((SITTINGS, len(lots))) < right * np.array([chance[lot] for lot in lots])
    enough = good.sum(axis=1) >= reeds
    fewer = good[:, :-1].sum(axis=1) >= reeds
    return reeds, float(enough.mean()), float(fewer.mean())


def main() -> None:
    """Print the shares."""
    warnings.simplefilter("ignore")
    known = [found for seed in range(int(sys.argv[1])) if (found := met(seed)) is not None]
    frame = pd.DataFrame(known, columns=["reeds", "met", "fewer"])
    print(f"{len(frame)} orders planned")
    for name, part in {"all": frame, "20 and more": frame[frame["reeds"] >= 20]}.items():
        se = part["met"].std() / np.sqrt(len(part))
        print(f"{name:12} met {part['met'].mean():.3f} (se {se:.3f}), one fewer "
              f"{part['fewer'].mean():.3f}, {len(part)} orders")  # fmt: skip


if __name__ == "__main__":
    main()
