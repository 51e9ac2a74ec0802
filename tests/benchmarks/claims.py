"""How often "sure" and "likely" are true, on small benches whose truth is known.

    OMP_NUM_THREADS=1 python tests/benchmarks/claims.py --benches 500 --seed0 1 --out claims.csv

A third of the benches each has truths drawn from priors, nothing that matters (exact zeros), and
large effects: good reeds 15 % quicker in damp air and the odds of a good reed 0.6 times as high,
and one supplier 15 points better than the others. Of 20 good reeds about one comes back, by
supplier more or fewer where truths are from priors. Each is asked for the choice of supplier, the
season, the cane's slopes and a rule for passing pieces over. A claim is true if the effect has its
direction and at least half the size that matters; of a choice and a rule, if it is the best and if
it saves.

Rows are appended to the file as benches end, and a bench that is in it is not made again: a run may
be stopped and goes on where it was; several may run at once with other seeds and files.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd

from reedlab.cane.moisture import year_cos_sin
from reedlab.decide import matters
from reedlab.decide.answer import Verdict, graded
from reedlab.decide.conditions.season_effects import pooled
from reedlab.decide.conditions.smooth import contrast, fit_smooth
from reedlab.decide.shared_models import cane_slopes
from reedlab.decide.shared_models.models import Spec, fit_models, success_posterior
from reedlab.decide.suppliers.comparison import compared
from reedlab.simulate import World, simulate_reeds

KINDS = ("priors", "zeros", "large")
DRAWS = 1000
DRY, DAMP = 7.2, 10.8
"""Moisture, per cent: about a tenth of the reeds were scraped in drier, and in damper air."""
_MIDDLE = {"spring": 105.0, "summer": 196.0, "autumn": 288.0, "winter": 15.0}
_TESTS = Path(__file__).resolve().parent.parent
ROW = ("bench", "kind", "question", "statement", "probability", "grade", "true", "large")


def _load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def world_of(kind: str, rng: np.random.Generator) -> World:
    """Return a world's true effects."""
    plain = World(
        success=rng.normal(0.4, 0.4), density=0.0, asymmetry=0.0, bowed=0.0, moisture=0.0,
        hardness_minutes=0.0, moisture_minutes=0.0, supplier_sd=0.0, supplier_minutes_sd=0.0,
        back=0.05,
    )  # fmt: skip
    if kind == "zeros":
        return plain
    if kind == "large":  # damp air, in all
        return replace(
            plain,
            moisture=np.log(0.6) / (DAMP - DRY),
            moisture_minutes=np.log(0.85) / (DAMP - DRY),
        )
    return replace(
        plain,
        supplier_sd=abs(rng.normal(0, 0.75)),
        lot_sd=abs(rng.normal(0, 0.5)),
        supplier_minutes_sd=abs(rng.normal(0, 0.25)),
        moisture=rng.normal(0, 0.1),
        moisture_minutes=rng.normal(0, 0.02),
        density=rng.normal(0, 0.4),
        supplier_back_sd=abs(rng.normal(0, 0.75)),
    )


def make(seed: int) -> tuple[str, pd.DataFrame, World, pd.Series]:
    """Make a bench up: its kind, its reeds, its world and each supplier's true chance and pace."""
    root = np.random.SeedSequence([30_26, seed])
    kind, rng = KINDS[seed % 3], np.random.default_rng(root)
    world = world_of(kind, rng)
    first, second = root.spawn(2)
    frame, truth = simulate_reeds(first, 4, (3, 5), (10, 25), 2, world)
    true = truth.suppliers.set_index("supplier")
    if kind == "large":  # the first supplier's reeds again, 15 points better
        better = replace(world, success=world.success + 0.65)
        other, good = simulate_reeds(second, 1, (4, 4), (10, 25), 2, better)
        best = frame["supplier"].cat.categories[0]
        other = other.assign(lot="B" + other["lot"].astype(str), supplier=best)
        frame = pd.concat([frame[frame["supplier"] != best], other], ignore_index=True)
        true.loc[best] = good.suppliers.set_index("supplier").iloc[0]
    day = frame["season"].astype(str).map(_MIDDLE) + rng.integers(-45, 46, len(frame))
    dates = pd.Series(pd.Timestamp("2025-01-01") + pd.to_timedelta(day % 365, unit="D"))
    frame["year_cos"], frame["year_sin"] = year_cos_sin(dates)
    for name in ("supplier", "lot", "maker"):
        frame[name] = pd.Categorical(frame[name].astype(str))
    return kind, frame, world, true


def of_suppliers(frame: pd.DataFrame, true: pd.DataFrame, seed: int, large: bool) -> list[tuple]:
    """The choice of supplier by what stays good, prices alike."""
    tools = _load(_TESTS / "decide" / "suppliers" / "calibrating.py")
    evidence = tools.evidence_of(frame)
    said = compared(evidence, fit_models(evidence, seed, DRAWS))
    rows = true.loc[said.table["supplier"]]
    tied = tools._tied(rows.reset_index(), "").sent_back(rows["back"].to_numpy())
    cost = tools.cost_per_saleable(tied, tools.RATES)
    # A choice is wrong only if another is better by more than a cent.
    best = bool(cost[0] <= cost.min() + 0.01)
    if np.ptp(cost) <= 0.01:
        best = False  # that one of several alike is the cheapest is no news
    claim = said.claims.iloc[0]
    return [("supplier", claim.statement, claim.probability, claim.grade.value, best, large)]


def of_season(frame: pd.DataFrame, world: World, seed: int, large: bool) -> list[tuple]:
    """Damp against dry air and the seasons, four comparisons pooled; the strongest counts."""
    p = float(frame["success"].mean())
    by_season = frame.groupby(frame["season"].astype(str))["moisture_pct"].mean()
    good = frame[frame["success"] == 1].reset_index(drop=True)
    found, truths = [], []
    for over, pair, apart in (
        ("moisture", (("damp", DAMP), ("dry", DRY)), DAMP - DRY),
        ("year", (("winter", _MIDDLE["winter"]), ("summer", _MIDDLE["summer"])),
         by_season["winter"] - by_season["summer"]),
        ("year", (("spring", _MIDDLE["spring"]), ("autumn", _MIDDLE["autumn"])),
         by_season["spring"] - by_season["autumn"]),
    ):  # fmt: skip
        for measure, rows in (("success", frame), ("minutes", good)):
            found.append(contrast(fit_smooth(rows, measure, over, seed), *pair))
            truths.append(
                float(matters.points(world.moisture * apart, p)) / matters.SUCCESS
                if measure == "success"
                else world.moisture_minutes * apart / matters.MINUTES
            )
    table = pooled(pd.DataFrame(found), 0.9)
    at = int(table["prob_matters"].argmax())
    row = table.iloc[at]
    size = row["pooled"] if row["measure"] == "success" else np.log(row["pooled"])
    true = bool(truths[at] * size > 0 and abs(truths[at]) >= 0.5)
    grade = graded(row["prob_matters"]) if row["ratio"] <= 4 else Verdict.CANNOT_SAY
    says = f"{row['measure']} {row['first']} against {row['second']}"
    return [("season", says, row["prob_matters"], grade.value, true, large)]


def of_cane(frame: pd.DataFrame, world: World, seed: int) -> list[tuple]:
    """Density between lots and within them; true is the same slope for both."""
    name = "density_g_cm3"
    of = cane_slopes.PROPERTIES[name]
    post = success_posterior(frame, Spec(terms=cane_slopes.terms(name)), seed, DRAWS)
    p = float(frame["success"].mean())
    slopes = cane_slopes.slopes(post.draws(), name, of.step, p, 0.9)
    truth = float(matters.points(world.density * of.step / 0.05, p)) / matters.SUCCESS
    rows = []
    for which in (cane_slopes.BETWEEN, cane_slopes.WITHIN):
        says, probability, grade, size, _ = cane_slopes.claim(slopes.loc[which], which, of)
        true = bool(truth * size > 0 and abs(truth) >= 0.5)
        rows.append((f"cane {which} lots", says, probability, grade.value, true, False))
    return rows


def of_rule(seed: int, kind: str) -> list[tuple]:
    """A rule for passing pieces over, as `decisions_rules` makes its benches."""
    rules = _load(Path(__file__).resolve().parent / "decisions_rules.py")
    if kind == "zeros":
        rules.SLOPE_SD = 0.0
    said = rules.one(30_000 + seed)
    if not said["tried"]:
        return []
    statement = "follow the rule" if said["follow"] else "follow no rule"
    true = said["saved"] > 0 if said["follow"] else said["saved"] <= said["notice"]
    return [("rule", statement, said["prob"], said["verdict"], bool(true), False)]


def one(seed: int) -> pd.DataFrame:
    """Make a bench up, ask, and hold each claim against the truth."""
    kind, frame, world, true = make(seed)
    large = kind == "large"
    rows = [
        *of_suppliers(frame, true, seed, large),
        *of_season(frame, world, seed, large),
        *of_cane(frame, world, seed),
        *of_rule(seed, kind),
    ]
    return pd.DataFrame([(seed, kind, *row) for row in rows], columns=list(ROW))


def share(hits: pd.Series) -> str:
    """Write a share with its standard error."""
    n = len(hits)
    if not n:
        return "none"
    p = float(hits.mean())
    return f"{p:.3f} (standard error {np.sqrt(max(p * (1 - p), 0.25 / n) / n):.3f}, n {n})"


def report(rows: pd.DataFrame) -> None:
    """Print how often each grade was true, false alarms of zeros, and large effects found."""
    # That no rule saves is no effect: it is held against the truth, and is no false alarm.
    effect = rows["statement"] != "follow no rule"
    graded_ = rows[rows["kind"] != "zeros"]
    print(f"{rows['bench'].nunique()} benches")
    for grade in ("sure", "likely"):
        own = rows[rows["grade"] == grade]
        print(f"{grade}: true {share(own['true'])}; without the benches of zeros "
              f"{share(graded_.loc[graded_['grade'] == grade, 'true'])}")  # fmt: skip
        for name, of in own.groupby("question"):
            print(f"  {name}: {share(of['true'])}")
    zeros = rows[(rows["kind"] == "zeros") & effect]
    benches = pd.Index(rows.loc[rows["kind"] == "zeros", "bench"].unique())
    sure = zeros.loc[zeros["grade"] == "sure", "bench"]
    any_ = zeros.loc[
        zeros["grade"].isin(["sure", "likely"]) & (zeros["question"] != "supplier"), "bench"
    ]
    print(f"zeros: benches with a sure {share(pd.Series(benches.isin(sure)))}")
    print(
        f"zeros: with a likely or a sure beyond the supplier {share(pd.Series(benches.isin(any_)))}"
    )
    for name, of in rows[rows["large"]].groupby("question"):
        shares = of["grade"].value_counts(normalize=True).round(2).to_dict()
        print(f"large, {name}: {shares}; true where said "
              f"{share(of.loc[of['grade'] != 'cannot say', 'true'])}")  # fmt: skip


def main() -> None:
    """Run the benches that are not in the file, and print what came of all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=500)
    parser.add_argument("--seed0", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("claims.csv"))
    args = parser.parse_args()
    done = set(pd.read_csv(args.out)["bench"]) if args.out.exists() else set()
    for seed in range(args.seed0, args.seed0 + args.benches):
        if seed in done:
            continue
        began = time.process_time()
        rows = one(seed)
        rows.to_csv(args.out, mode="a", header=not args.out.exists(), index=False)
        print(f"bench {seed}: {time.process_time() - began:.1f} s", flush=True)
    report(pd.read_csv(args.out))


if __name__ == "__main__":
    main()
