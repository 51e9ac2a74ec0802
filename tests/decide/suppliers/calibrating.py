"""Many small benches whose truth is known, and what the answers said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.decide.costs import Rates, Tied, cost_per_saleable, net_benefit
from reedlab.decide.evidence import Evidence
from reedlab.decide.shared_models.models import fit_models
from reedlab.decide.suppliers.comparison import compared
from reedlab.simulate import World, simulate_reeds

RATES, PRICE, CANE, BEFORE = Rates(), 30.0, 2.0, 5.0


def evidence_of(frame: pd.DataFrame) -> Evidence:
    """A quick frame as evidence, cane and price the same for every supplier."""
    suppliers = (
        frame.groupby("supplier", observed=True)
        .agg(lots=("lot", "nunique"), reeds=("reed", "size"))
        .reset_index()
        .assign(cane=CANE, minutes_before=BEFORE)
    )
    suppliers["supplier"] = suppliers["supplier"].astype(str)
    if not frame["came_back"].any():
        return Evidence(frame, suppliers, RATES, PRICE)
    sold = frame[frame["success"] == 1].groupby("supplier", observed=True)["came_back"]
    back = sold.agg(sold="size", returned="sum").reset_index()
    back = back.assign(adjusted=0, exposed=back["sold"], adjusting=0.0)
    return Evidence(frame, suppliers, RATES, PRICE, back=back.astype({"supplier": str}))


def one_bench(seed: int, suppliers: int, lots: tuple[int, int], reeds: tuple[int, int], draws: int):
    """One bench, its truth drawn from the models' priors: a row a supplier, said beside true."""
    root = np.random.SeedSequence([20_26, seed])
    world = World.from_prior(np.random.default_rng(root))
    world = replace(world, failure_sd=world.minutes_sd, maker=0.0, maker_minutes=0.0)
    frame, truth = simulate_reeds(root.spawn(1)[0], suppliers, lots, reeds, 1, world)
    frame["season"] = "spring"
    evidence = evidence_of(frame)
    said = compared(evidence, fit_models(evidence, seed, draws))
    true = truth.suppliers.set_index("supplier").loc[said.table["supplier"]].reset_index()
    expected = _tied(true, "")
    one = _tied(true, "next_")
    benefit, cost = net_benefit(expected, RATES, PRICE), cost_per_saleable(expected, RATES)
    return said.table.join(said.stakes.drop(columns="supplier")).assign(
        bench=seed,
        true_best=cost == cost.min(),
        true_success=one.success,
        true_cost=cost_per_saleable(one, RATES),
        true_next_best=cost_per_saleable(one, RATES) == cost_per_saleable(one, RATES).min(),
        true_regret=benefit.max() - benefit,
    )


def _tied(true: pd.DataFrame, which: str) -> Tied:
    columns = [true[f"{which}{c}"].to_numpy() for c in ("success", "minutes_success")]
    return Tied(*columns, true[f"{which}minutes_failure"].to_numpy(), CANE, BEFORE)


def calibration(rows: pd.DataFrame) -> pd.DataFrame:
    """What was said beside what came true, with the standard error of the difference.

    Benches are independent, suppliers within one are not, so everything is summed within a bench
    first.
    """
    inside = rows["true_success"].between(rows["success_low"], rows["success_high"])
    cost_inside = rows["true_cost"].between(rows["cost_low"], rows["cost_high"])
    by = rows["bench"]
    first = rows.groupby("bench").head(1)
    wisest = rows.loc[rows.groupby("bench")["regret"].idxmin()]
    claims = {
        "success inside its 90 % interval": (pd.Series(0.9, rows.index), inside, by),
        "cost inside its 90 % interval": (pd.Series(0.9, rows.index), cost_inside, by),
        "the likeliest is the cheapest": (first["prob_best"], first["true_best"], first["bench"]),
        "its next lot is the cheapest": (
            first["prob_next_best"],
            first["true_next_best"],
            first["bench"],
        ),
        "regret of the wisest choice": (
            wisest["regret"],
            wisest["true_regret"],
            wisest["bench"],
        ),
    }
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 1.01)):
        some = rows[rows["prob_best"].between(low, high, inclusive="left")]
        claims[f"cheapest, where said {low:.0%} to {min(high, 1):.0%}"] = (
            some["prob_best"],
            some["true_best"],
            some["bench"],
        )
    out = []
    for claim, (said, came, bench) in claims.items():
        off = (came.astype(float) - said).groupby(bench).mean()
        se = off.std(ddof=1) / np.sqrt(len(off))
        out.append((claim, len(off), said.mean(), came.astype(float).mean(), off.mean() / se))
    return pd.DataFrame(out, columns=["claim", "benches", "said", "came_true", "z"])
