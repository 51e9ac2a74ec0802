"""Benches of workshops that are not as the models assume, and how the answers about suppliers hold.

Run by hand, with the number of benches a world, the first seed and the worlds (all when none)::

    export OMP_NUM_THREADS=1
    nice .venv/bin/python tests/benchmarks/outside_worlds.py 200 10000 base learns --out rows.csv

Rows are appended to the file as benches end, one of each world in turn, and a bench that is in it
is not made again: a run may be stopped and goes on where it was. At the end, and with 0 benches at
once, it prints what the file holds; ``--table data/calibration/outside.csv`` also writes the table
that notebook 11's sentence reads.

The simulator here is apart from `reedlab.simulate`, so that the two can disagree. In every world a
bench has 3 to 6 suppliers, 2 to 6 lots of each and 10 to 40 reeds of a lot, by one maker, over two
and a half years; standard deviations between suppliers and between lots are half-normal, 0.75 on
the logit and 0.25 on log minutes; no season matters. What differs is in `WORLDS`. Each answer is
held against one next lot of each supplier, begun on the last day of the records. For each world it
prints, with standard errors: how often the 90 % ranges of success and of cost held it and how often
it lay below the range of success, how wide they were (in chance, and as the ratio of the ends of
the cost), the error of success and its bias, what was said of the likeliest supplier and how often
that came true, the same of the benches that got an answer ("sure" or "likely"), how often each
verdict was given, and the share of reeds with an outcome or pending that the model of success used.

Seeds from 10000 are for reports; build and tune on others.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.decide.costs import Rates, Tied, cost_per_saleable
from reedlab.decide.evidence import gather
from reedlab.decide.shared_models.models import fit_models
from reedlab.decide.suppliers.comparison import compared
from reedlab.records.bench import Bench
from reedlab.report.words.trust_words import BASE

TODAY = pd.Timestamp("2026-03-01")
LEARNT_LOGIT, LEARNT_MINUTES = 1.5, np.log(0.7)
CANE = 2.0
FAILED = 0.6
"""Minutes of a failed reed for each one of a good reed."""
GOOD_WAIT, FAILED_WAIT = (120.0, 0.3), (12.0, 1.0)
"""Median days from tying to the outcome, and the standard deviation of their logarithm."""


@dataclass(frozen=True)
class World:
    """How a workshop differs from what the models assume.

    Attributes
    ----------
    days
        Length of the records.
    in_turn
        Whether one supplier after the other is bought from; else lots of all lie side by side.
    learnt
        Share of what the maker learns in all (+1.5 on the logit, 30 % less time) that is learnt
        when a share of the records' days has gone by.
    correlation
        Of a lot's effects on success and on log minutes.
    noted
        Whether outcomes come late, with the day of judgement noted, or not; None where none is
        late.
    ages
        Change a year on the shelf: logit, log minutes.
    harvest
        Standard deviations of harvest years: logit, log minutes.
    bad
        Share of lots that are bad, which halves the odds three times.
    """

    days: int = 913
    in_turn: bool = False
    learnt: Callable[[np.ndarray], np.ndarray] | None = None
    correlation: float = 0.0
    noted: bool | None = None
    ages: tuple[float, float] = (0.0, 0.0)
    harvest: tuple[float, float] = (0.0, 0.0)
    bad: float = 0.0


def _saturating(t: np.ndarray) -> np.ndarray:
    return (1 - np.exp(-5 * t)) / (1 - np.exp(-5))


def _jump(t: np.ndarray) -> np.ndarray:
    return np.asarray(t > 0.6, dtype=float)


WORLDS = {
    "base": World(),
    "learns": World(in_turn=True, learnt=lambda t: np.asarray(t)),
    "learns_side_by_side": World(learnt=lambda t: np.asarray(t)),
    "saturates": World(in_turn=True, learnt=_saturating),
    "jumps": World(in_turn=True, learnt=_jump),
    "in_turn": World(in_turn=True),
    "correlated": World(correlation=-0.8),
    "correlated_up": World(correlation=0.8),
    "late_noted": World(days=400, noted=True),
    "late_not_noted": World(days=400, noted=False),
    "ages": World(ages=(0.6, -0.1)),
    "harvest": World(harvest=(0.6, 0.15)),
    "bad_batches": World(bad=0.1),
}


@dataclass(frozen=True)
class _Truth:
    """What the workshop is like; suppliers' effects are arrays (suppliers, 2): logit, minutes."""

    centre: np.ndarray
    supplier: np.ndarray
    lot_sd: np.ndarray


def simulated(world: World, seed: int) -> tuple[Bench, pd.DataFrame]:
    """One bench, and for each supplier what its lots truly are worth, on average and the next."""
    rng = np.random.default_rng([77, seed])
    n = int(rng.integers(3, 7))
    scales = np.array([0.75, 0.25])
    sd, lot_sd = np.abs(rng.normal(0.0, scales, (2, 2)))
    centre = np.array([rng.normal(0.3, 0.5), rng.normal(np.log(35.0), 0.2)])
    truth = _Truth(centre, rng.normal(0.0, sd, (n, 2)), lot_sd)
    lots = _lots(world, truth, rng)
    reeds = _reeds(world, truth, lots, rng)
    bench = Bench.from_tables(
        {"lots": lots[["lot", "supplier", "bought_on", "harvest_year", *_PAID]], "reeds": reeds},
        check=False,
        today=TODAY.date(),
    )
    return bench, _next_lots(world, truth, lots, rng)


_PAID = ["quantity", "quantity_unit", "price", "currency"]


def _lot_effects(world: World, truth: _Truth, n: int, rng: np.random.Generator) -> np.ndarray:
    """Effects (n, 2) of lots about their supplier's mean."""
    z = rng.standard_normal((n, 2))
    z[:, 1] = world.correlation * z[:, 0] + np.sqrt(1 - world.correlation**2) * z[:, 1]
    effects = z * truth.lot_sd
    effects[:, 0] -= np.log(8.0) * (rng.random(n) < world.bad)
    return effects


def _lots(world: World, truth: _Truth, rng: np.random.Generator) -> pd.DataFrame:
    """One row a lot: when it is begun and used up, as shares of the records, and its effects."""
    n = len(truth.supplier)
    of = np.repeat(np.arange(n), rng.integers(2, 7, n))
    count = rng.integers(10, 41, len(of))
    if world.in_turn:
        turn = np.lexsort((rng.random(len(of)), rng.permutation(n)[of]))
        ends = np.empty(len(of))
        ends[turn] = np.cumsum(count[turn]) / count.sum()
        begun = ends - count / count.sum()
    else:
        begun = rng.uniform(0.0, 0.7, len(of))
        ends = begun + 0.3
    # Suppliers' cane waits for longer or shorter on the shelf; that matters where it ages.
    shelf = rng.uniform(0.0, 1.2, n)[of]
    first = TODAY - pd.Timedelta(days=world.days)
    bought = first + pd.to_timedelta(np.round(begun * world.days - 365.25 * shelf), unit="D")
    year = bought.year.to_numpy() - 1
    years = np.unique(year)
    cut = dict(zip(years, rng.normal(0.0, 1.0, (len(years), 2)) * world.harvest, strict=True))
    return pd.DataFrame(
        {
            "lot": [f"L{i:02d}" for i in range(len(of))],
            "supplier": [f"S{s}" for s in of],
            "bought_on": bought,
            "harvest_year": year,
            "quantity": count,
            "quantity_unit": "piece",
            "price": CANE * count,
            "currency": "EUR",
            "of": of,
            "begun": begun,
            "ends": ends,
        }
    ).assign(
        **dict(
            zip(
                ("logit", "log_minutes"),
                (_lot_effects(world, truth, len(of), rng) + np.array([cut[y] for y in year])).T,
                strict=True,
            )
        )
    )


def _reeds(
    world: World, truth: _Truth, lots: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    at = np.repeat(np.arange(len(lots)), lots["quantity"])
    rows = lots.iloc[at].reset_index(drop=True)
    share = rows["begun"] + (rows["ends"] - rows["begun"]) * rng.random(len(at))
    tied = TODAY - pd.to_timedelta(np.ceil((1 - share) * world.days), unit="D")
    age = (tied - rows["bought_on"]).dt.days.to_numpy() / 365.25
    eta, pace = (
        truth.centre
        + truth.supplier[rows["of"]]
        + rows[["logit", "log_minutes"]].to_numpy()
        + _skill(world, share.to_numpy())
        + np.outer(age, world.ages)
    ).T
    good = rng.random(len(at)) < expit(eta)
    minutes = np.exp(pace + rng.normal(0.0, np.where(good, 0.25, 0.4)))
    minutes *= np.where(good, 1.0, FAILED)
    reeds = pd.DataFrame(
        {
            "reed": [f"R{i:04d}" for i in range(len(at))],
            "lot": rows["lot"],
            "maker": "A",
            "tied_on": tied,
            "outcome": np.where(good, "good", "reject"),
            "rough_min": 0.4 * minutes,
            "finish_min": 0.6 * minutes,
        }
    )
    if world.noted is None:
        return reeds
    wait = [np.where(good, g, f) for g, f in zip(GOOD_WAIT, FAILED_WAIT, strict=True)]
    days = np.ceil(wait[0] * np.exp(wait[1] * rng.standard_normal(len(at))))
    judged = tied + pd.to_timedelta(days, unit="D")
    known = judged <= TODAY
    if world.noted:
        reeds["judged_on"] = judged.where(known)
    late = ["outcome", "rough_min", "finish_min"]
    reeds[late] = reeds[late].where(known)
    return reeds


def _skill(world: World, share: np.ndarray) -> np.ndarray:
    """What the maker's learning adds (n, 2), about its middle, at shares of the records' days."""
    if world.learnt is None:
        return np.zeros((len(share), 2))
    return np.outer(world.learnt(share) - 0.5, [LEARNT_LOGIT, LEARNT_MINUTES])


def _next_lots(
    world: World, truth: _Truth, lots: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """What a supplier's next lot, and its lots on average, will do from the last day on."""
    n, many = len(truth.supplier), 4000
    effects = _lot_effects(world, truth, many * n, rng).reshape(many, n, 2)
    effects += rng.normal(0.0, 1.0, (many, n, 2)) * world.harvest
    # Cane is worked at the age at which the records' cane was, in the middle.
    age = float(np.median(_shelf_years(world, lots)))
    eta, pace = np.moveaxis(
        truth.centre
        + truth.supplier
        + effects
        + _skill(world, np.ones(1))
        + age * np.array(world.ages),
        2,
        0,
    )
    p = expit(eta)
    good, failed = np.exp(pace + 0.25**2 / 2), FAILED * np.exp(pace + 0.4**2 / 2)
    total = p.mean(axis=0)
    means = (p * good).mean(axis=0) / total, ((1 - p) * failed).mean(axis=0) / (1 - total)
    one = Tied(p[0], good[0], failed[0], CANE, 0.0)
    return pd.DataFrame(
        {
            "supplier": [f"S{s}" for s in range(n)],
            "true_success": one.success,
            "true_cost": cost_per_saleable(one, Rates()),
            "true_mean_cost": cost_per_saleable(Tied(total, *means, CANE, 0.0), Rates()),
        }
    )


def _shelf_years(world: World, lots: pd.DataFrame) -> np.ndarray:
    middle = (lots["begun"] + lots["ends"]) / 2
    tied = TODAY - pd.to_timedelta((1 - middle) * world.days, unit="D")
    return np.repeat((tied - lots["bought_on"]).dt.days.to_numpy() / 365.25, lots["quantity"])


def one_bench(name: str, seed: int) -> pd.DataFrame:
    """One row a supplier: what was said beside what is true."""
    bench, true = simulated(WORLDS[name], seed)
    began = time.perf_counter()
    evidence = gather(bench)
    said = compared(
        evidence, fit_models(evidence, seed, 2000)
    )  # all but what one more lot is worth
    seconds = time.perf_counter() - began
    rows = said.table.merge(true, on="supplier", how="left", validate="1:1")
    best = true.loc[true["true_mean_cost"].idxmin(), "supplier"]
    return rows.assign(
        world=name,
        bench=seed,
        verdict=said.verdict.value,
        first_true=said.best == best,
        unbalanced=said.balance.set_index("against")["ratio"][said.table["supplier"].iloc[1]],
        used=(len(evidence.reeds) + len(evidence.pending)) / len(bench.reeds),
        pending=(bench.reeds["status"] == "pending").mean(),
        seconds=seconds,
    )


def _mean(values: pd.Series, bench: pd.Series) -> tuple[float, float]:
    """Mean of the benches' means and its standard error: suppliers of a bench are not apart."""
    by = values.astype(float).groupby(bench).mean()
    return float(by.mean()), float(by.std(ddof=1) / np.sqrt(len(by)))


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a world: each figure, with its standard error in the next column."""
    out = []
    for world, of in rows.groupby("world", sort=False):
        bench, first = of["bench"], of.groupby("bench").head(1)
        error = of["success"] - of["true_success"]
        figures = {
            "holds_success": of["true_success"].between(of["success_low"], of["success_high"]),
            "holds_cost": of["true_cost"].between(of["cost_low"], of["cost_high"]),
            "below_success": of["true_success"] < of["success_low"],
            "width_success": of["success_high"] - of["success_low"],
            "ratio_cost": of["cost_high"] / of["cost_low"],
            "bias": error,
            "error": error.abs(),
        }
        row: dict[str, object] = {"world": world, "benches": bench.nunique()}
        for name, values in figures.items():
            row[name], row[f"{name}_se"] = _mean(values, bench)
        row["median_width"] = (of["success_high"] - of["success_low"]).median()
        row["median_ratio"] = (of["cost_high"] / of["cost_low"]).median()
        answered = first[first["verdict"] != "cannot say"]
        for name, some in (("", first), ("answered_", answered)):
            row[f"{name}said"] = some["prob_best"].mean()
            row[f"{name}true"] = some["first_true"].mean()
            apart = some["prob_best"] - some["first_true"]
            row[f"{name}said_true_se"] = apart.std(ddof=1) / np.sqrt(len(some))
        for verdict in ("sure", "likely", "cannot say"):
            row[verdict] = (first["verdict"] == verdict).mean()
        row["used"], row["pending"] = first["used"].mean(), first["pending"].mean()
        row["seconds"] = first["seconds"].median()
        out.append(row)
    return pd.DataFrame(out)


SAYS = {
    "base": BASE,
    "learns": "the maker learns and suppliers are bought from in turn",
    "learns_side_by_side": "the maker learns and suppliers lie side by side",
    "saturates": "the maker learns at first and suppliers are bought from in turn",
    "jumps": "the maker learns at one blow and suppliers are bought from in turn",
    "in_turn": "suppliers are bought from in turn",
    "correlated": "lots with more good reeds take less time",
    "correlated_up": "lots with more good reeds take more time",
    "late_noted": "outcomes come late, their day noted",
    "late_not_noted": "outcomes come late, their day not noted",
    "ages": "cane ages on the shelf",
    "harvest": "lots of one harvest year are alike",
    "bad_batches": "one lot in ten is a bad batch",
}


def as_shipped(table: pd.DataFrame) -> pd.DataFrame:
    """The columns of ``outside.csv``, worlds in words."""
    columns = ["benches", "holds_success", "holds_success_se", "holds_cost", "holds_cost_se"]
    columns += ["median_width", "median_ratio", "said", "true", "said_true_se", "cannot say"]
    out = table.assign(world=table["world"].map(SAYS))[["world", *columns]]
    return out.rename(columns={"cannot say": "cannot_say"}).round(4)


def main(arguments: list[str]) -> None:
    """Simulate what is not in the file, and print a table with a column a world."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("benches", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("worlds", nargs="*", default=[], help=", ".join(WORLDS))
    parser.add_argument("--out", type=Path, default=Path("outside_rows.csv"))
    parser.add_argument("--table", help="where to write the table that is shipped")
    given = parser.parse_args(arguments)
    known = set()
    if given.out.exists():
        known = set(pd.read_csv(given.out).groupby(["world", "bench"]).groups)
    for seed in range(given.seed, given.seed + given.benches):
        for name in given.worlds or WORLDS:
            if (name, seed) not in known:
                header = not given.out.exists()
                one_bench(name, seed).to_csv(given.out, mode="a", header=header, index=False)
    table = summary(pd.read_csv(given.out))
    print(table.round(3).T.to_string(header=False), flush=True)
    if given.table:
        as_shipped(table).to_csv(given.table, index=False)


if __name__ == "__main__":
    main(sys.argv[1:])
