"""What the comparison of suppliers does not see, and what that could do to it.

A comparison counts reeds that were tied and judged. Pieces passed over before tying, reeds still
pending, blanks given up early and reeds brought back bend it, each supplier's differently. `flow`
counts them by supplier; `bounds` works the ranking out again under the assumptions that favour a
supplier least and most, so that it can be seen whether the choice hangs on them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.evidence import listed
from reedlab.decide.models import Spec, ability, success_posterior
from reedlab.decide.suppliers import SupplierAnswer, answer

STAGES = (
    "came in",
    "lost before tying",
    "not tied yet",
    "tied",
    "pending",
    "given up",
    "broken",
    "reject",
    "playable",
    "good",
    "sold",
    "returned",
)
"""The stages of `flow`, in the order of the work; the indented ones of a figure are parts."""


def flow(bench: Any) -> pd.DataFrame:
    """Follow each supplier's pieces from purchase to the customer.

    Parameters
    ----------
    bench
        The records.

    Returns
    -------
    pandas.DataFrame
        One row a supplier and stage: supplier, stage, pieces, lots_unknown (lots of that supplier
        whose records do not tell this count). What came in and what was lost before tying are
        known only for lots with a tally or with losses noted on their pieces; a piece not tied yet
        came through and has no reed.
    """
    losses = bench.losses.astype({"supplier": str})
    reeds = bench.reeds.dropna(subset="supplier").astype({"supplier": str})
    known = losses["pieces_in"].notna() & losses["pieces_lost"].notna()
    waiting = (losses["pieces_in"] - losses["pieces_lost"] - losses["pieces_tied"]).clip(lower=0)
    parts = {
        "came in": losses["pieces_in"],
        "lost before tying": losses["pieces_lost"],
        "not tied yet": waiting,
    }
    rows = []
    for name in sorted(losses["supplier"].dropna().unique()):
        own, tied = losses["supplier"] == name, reeds[reeds["supplier"] == name]
        outcomes = tied["outcome"].astype(object).value_counts()
        counts = {stage: part[own].sum() for stage, part in parts.items()} | {
            "tied": len(tied),
            "pending": int(tied["outcome"].isna().sum()),
            "given up": outcomes.get("given_up", 0),
            **{stage: outcomes.get(stage, 0) for stage in ("broken", "reject", "playable", "good")},
            "sold": int(tied["sold_for"].notna().sum()),
            "returned": int(tied["returned_on"].notna().sum()),
        }
        unknown = int((own & ~known).sum())
        rows += [
            (name, stage, int(counts[stage]), unknown if stage in parts else 0) for stage in STAGES
        ]
    frame = pd.DataFrame(rows, columns=["supplier", "stage", "pieces", "lots_unknown"])
    frame["stage"] = pd.Categorical(frame["stage"], STAGES, ordered=True)
    return frame


def returns(bench: Any, level: float = 0.9) -> pd.DataFrame:
    """Count the reeds brought back, by lot and by supplier.

    Returns
    -------
    pandas.DataFrame
        supplier, lot ("all" for the supplier's own row), sold, returned, share with low and high
        (Wilson's interval), and the reasons given.
    """
    from statsmodels.stats.proportion import proportion_confint

    reeds = bench.reeds.dropna(subset="supplier").astype({"supplier": str, "lot": str})
    sold = reeds[reeds["sold_for"].notna() | reeds["returned_on"].notna()]
    both = pd.concat([sold, sold.assign(lot="all")])
    grouped = both.groupby(["supplier", "lot"])
    table = grouped.agg(sold=("reed", "size"), returned=("returned_on", "count")).reset_index()
    low, high = proportion_confint(table["returned"], table["sold"], 1 - level, method="wilson")
    reasons = grouped["return_reason"].agg(lambda r: ", ".join(sorted(set(r.dropna()))))
    return table.assign(
        share=table["returned"] / table["sold"], low=low, high=high, reasons=reasons.to_numpy()
    )


@dataclass(frozen=True)
class Selection:
    """What was left out of a comparison, and its bounds.

    Attributes
    ----------
    flow
        See `flow`.
    returns
        See `returns`.
    shares
        One row a supplier: never_tied (of the pieces that came in), pending, given_up and
        returned (of the reeds tied), success as observed among reeds with an outcome, and
        success_least, success_most with pending and returned reeds as failures or pending and
        given-up ones as successes.
    bounds
        assumption, supplier, success, cost, prob_best: the ranking worked out again.
    best
        The supplier chosen under each assumption.
    """

    flow: pd.DataFrame
    returns: pd.DataFrame
    shares: pd.DataFrame
    bounds: pd.DataFrame
    best: dict[str, str]

    def sentence(self) -> str:
        """Say whether the choice hangs on what was left out."""
        first, *_ = self.best.values()
        other: dict[str, list[str]] = {}
        for assumption, name in self.best.items():
            if name != first:
                other.setdefault(name, []).append(f"if {assumption}")
        if not other:
            return (
                f"What was left out does not change the choice: {first} stays likeliest even if "
                "every doubt goes against it."
            )
        changes = listed(f"{name} {' or '.join(when)}" for name, when in other.items())
        return (
            f"The choice of {first} hangs on reeds that the comparison leaves out: it would be "
            f"{changes}. Settle the pending reeds, and finish some of those you would give up."
        )


def examine(bench: Any, said: SupplierAnswer) -> Selection:
    """Say what a comparison of suppliers left out, and work out its bounds.

    Parameters
    ----------
    bench
        The records.
    said
        The comparison; its evidence, minutes and seed are used again.
    """
    counts = flow(bench)
    every = bench.reeds.dropna(subset=["supplier"]).reset_index(drop=True)
    for name in ("supplier", "lot", "maker"):
        every[name] = pd.Categorical(every[name].astype(str))
    every = every[every["supplier"].isin(said.evidence.arms["supplier"])].reset_index(drop=True)
    least, most = _bounded(every)
    own = every["supplier"] == said.best
    others = np.where(own, least, most)
    assumptions = {
        "pending and returned reeds failed": least,
        "pending and given-up reeds were good": most,
        f"every doubt goes against {said.best}": others,
    }
    answers = {"as answered": said}
    answers |= {name: _again(said, every, success) for name, success in assumptions.items()}
    bounds = pd.concat(
        [
            a.table[["supplier", "success", "cost", "prob_best"]].assign(assumption=name)
            for name, a in answers.items()
        ],
        ignore_index=True,
    )
    return Selection(
        counts,
        returns(bench),
        _shares(counts, every, least, most),
        bounds[["assumption", "supplier", "success", "cost", "prob_best"]],
        {name: a.best for name, a in answers.items()},
    )


def _bounded(reeds: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Success of every reed under the least and the most favourable assumption."""
    known = reeds["success"].to_numpy(float)
    back = reeds["returned_on"].notna().to_numpy()
    gave_up = reeds["outcome"].eq("given_up").to_numpy()
    least = np.where(np.isnan(known) | back, 0.0, known)
    most = np.where(np.isnan(known) | gave_up, 1.0, known)
    return least, most


def _again(said: SupplierAnswer, every: pd.DataFrame, success: np.ndarray) -> SupplierAnswer:
    """Work the answer out with other outcomes, all reeds counted, and the same minutes."""
    evidence = replace(said.evidence, reeds=every.assign(success=success))
    seed, names = said.models.seed, evidence.arms["supplier"].tolist()
    post = success_posterior(evidence.reeds, Spec(), seed, len(said.lot.one.success))
    chance = ability(post, names, seed=seed)
    return answer(evidence, replace(said.models, success=chance), said.currency, said.level)


def _shares(
    counts: pd.DataFrame, every: pd.DataFrame, least: np.ndarray, most: np.ndarray
) -> pd.DataFrame:
    wide = counts.pivot(index="supplier", columns="stage", values="pieces")
    by = every["supplier"].astype(str)
    lost = wide["lost before tying"] + wide["not tied yet"]
    return (
        pd.DataFrame(
            {
                "never_tied": lost / wide["came in"].where(wide["came in"] > 0),
                "pending": wide["pending"] / wide["tied"],
                "given_up": wide["given up"] / wide["tied"],
                "returned": wide["returned"] / wide["tied"],
                "success": every["success"].groupby(by).mean(),
                "success_least": pd.Series(least).groupby(by).mean(),
                "success_most": pd.Series(most).groupby(by).mean(),
            }
        )
        .rename_axis("supplier")
        .reset_index()
    )
