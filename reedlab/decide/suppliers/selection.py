"""Selection bias in the comparison of suppliers, and bounds on it.

A comparison counts reeds that were tied and judged. Pieces passed over before tying, reeds still
pending, blanks given up early and reeds brought back bias it, each supplier's differently.
`piece_flow` counts them by supplier; `examine` works the ranking out again under the assumptions
that favour a supplier least and most, and so shows whether the choice depends on them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    About,
    Answer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    question,
)
from reedlab.decide.draws import stacked
from reedlab.decide.evidence import as_factors, listed, with_years
from reedlab.decide.piece_flow import BEFORE_TYING, COUNTS, by_supplier, flow, left_out, returns
from reedlab.decide.returns import sent_back
from reedlab.decide.shared_models.models import Spec, ability, success_posterior
from reedlab.decide.suppliers.comparison import Suppliers, compared

EDGE = 0.05
"""A lead in probability that is no more than this changes no choice."""
AS_ANSWERED = "as answered"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Selection(Answer):
    """What was left out of a comparison, and its bounds; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        assumption, supplier, success, cost, prob_best: the ranking worked out again.
    claims
        That the supplier chosen is the cheapest under every assumption, with its lowest
        probability; then one row an assumption. The verdict is that of the comparison where its
        choice stays, else that the records cannot say.
    flow
        See `flow`.
    returns
        See `returns`.
    counts
        See `left_out`.
    shares
        One row a supplier: never_tied (of the pieces that came in), pending, given_up and
        returned (of the reeds tied), success as observed among reeds with an outcome, and
        success_least, success_most with pending and returned reeds as failures or pending and
        given-up ones as successes.
    compared
        How sure the comparison was.
    best
        The supplier chosen under each assumption: the one chosen as answered, unless another is
        likelier by more than `EDGE`.
    """

    table: pd.DataFrame = empty("assumption", "supplier", "success", "cost", "prob_best")
    flow: pd.DataFrame = empty("supplier", "stage", "pieces", "lots_unknown")
    returns: pd.DataFrame = empty(
        "supplier", "lot", "sold", "returned", "share", "low", "high", "reasons"
    )
    counts: pd.DataFrame = empty("supplier", *COUNTS)
    shares: pd.DataFrame = empty(
        "supplier",
        "never_tied",
        "pending",
        "given_up",
        "returned",
        "success",
        "success_least",
        "success_most",
    )
    compared: Verdict = Verdict.CANNOT_SAY
    best: dict[str, str] = field(default_factory=dict)

    def _sentence(self) -> str:
        first = self.best[AS_ANSWERED]
        if self.table["supplier"].nunique() == 1:
            return f"There is no choice to change: every settled reed is {first}'s."
        other: dict[str, list[str]] = {}
        for assumption, name in self.best.items():
            if name != first:
                other.setdefault(name, []).append(f"if {assumption}")
        what, which = "the choice", f"The choice of {first}"
        if self.compared is Verdict.CANNOT_SAY:
            what, which = "which is the likeliest", f"That {first} is the likeliest"
        if not other:
            return (
                f"What was left out does not change {what}: it is {first}, even if every doubt "
                "goes against it."
            )
        changes = listed(f"{name} {' or '.join(when)}" for name, when in other.items())
        return f"{which} depends on what the comparison leaves out: it would be {changes}."


@question(Selection)
def examine(said: Suppliers) -> Selection:
    """Say what a comparison of suppliers left out, and work out its bounds."""
    basis = said.grounds()
    bench, arms = basis.bench, basis.evidence.arms["supplier"]
    wide = by_supplier(bench)
    counts, _ = left_out(bench)
    every = (
        with_years(bench).assign(sent_back=sent_back(bench)).dropna(subset=["supplier", "tied_on"])
    )
    every = as_factors(every, "supplier", "lot", "maker")
    every = every[every["supplier"].isin(arms)].reset_index(drop=True)
    least, most = _bounded(every)
    own = (every["supplier"] == said.best).to_numpy()
    came_in, lost, waiting = wide.reindex(arms).fillna(0.0)[list(BEFORE_TYING)].to_numpy(float).T
    went_on = np.maximum(came_in - lost - waiting, 1)
    waste, good = 1 + waiting / went_on, (lost + waiting) / went_on
    best = (arms == said.best).to_numpy()
    answers = {
        AS_ANSWERED: said,
        "pending and returned reeds failed": _again(said, every, least, back=False),
        "pending and given-up reeds were good": _again(said, every, most),
        "pieces never tied would have been good": _again(said, untied_good=good),
        f"every doubt goes against {said.best}": _again(
            said,
            every,
            np.where(own, least, most),
            back=False,
            waste=np.where(best, waste, 1.0),
            untied_good=np.where(best, 0.0, good),
        ),
    }
    shown = ["supplier", "success", "cost", "prob_best"]
    best = {name: _stays(a, said.best) for name, a in answers.items()}
    return Selection(
        table=stacked({name: a.table[shown] for name, a in answers.items()}, "assumption"),
        level=said.level,
        claims=_claims(answers, best, said),
        notes=said.notes,
        record_next=_record_next(counts, best),
        digits={"cost": said.digits["cost"]},
        flow=flow(bench),
        returns=returns(bench, said.level),
        counts=counts,
        shares=_shares(counts, every, least, most),
        compared=said.verdict,
        best=best,
    )


def half_sentence(found: Selection) -> str:
    """Say in half a sentence which assumption would change the choice; "" where none does.

    The last assumption, that every doubt goes against the choice, is a bound and no reason. Of two
    that are too close to call, either is no change.
    """
    if found.unanswered:
        return ""
    answered = found.table.loc[found.table["assumption"] == AS_ANSWERED, "supplier"]
    named = answered.head(2 if found.compared is Verdict.CANNOT_SAY else 1).tolist()
    other: dict[str, list[str]] = {}
    for assumption, name in found.best.items():
        if name not in named and assumption in _IF:
            other.setdefault(name, []).append(f"if {_IF[assumption]}")
    return ", or ".join(f"{name} {' or '.join(when)}" for name, when in other.items())


_IF = {
    "pending and returned reeds failed": "all waiting blanks fail",
    "pending and given-up reeds were good": "those you gave up were good",
    "pieces never tied would have been good": "pieces passed over were good",
}


def _claims(answers: dict[str, Suppliers], best: dict[str, str], said: Suppliers) -> pd.DataFrame:
    """One claim over all assumptions, and one for each."""
    stays = set(best.values()) == {said.best}
    chances = {name: a.table.set_index("supplier")["prob_best"] for name, a in answers.items()}
    rows = [
        (
            f"{said.best} is the cheapest under every assumption.",
            min(c[said.best] for c in chances.values()),
            said.verdict if stays else Verdict.CANNOT_SAY,
            float("nan"),
            stays,
        )
    ]
    for name, a in answers.items():
        costs = a.table.set_index("supplier")["cost"]
        others = a.table.loc[a.table["supplier"] != best[name], "supplier"]
        size = costs[others.iloc[0]] - costs[best[name]] if len(others) else float("nan")
        statement = f"{best[name]} is the cheapest ({name})."
        grade = a.verdict if best[name] == a.best else Verdict.CANNOT_SAY
        rows.append((statement, chances[name][best[name]], grade, size, bool(size > 0)))
    return claims_frame(rows)


def _record_next(counts: pd.DataFrame, best: dict[str, str]) -> RecordNext | None:
    if len(set(best.values())) == 1:
        return None
    settle = "Settle the pending reeds, finish" if counts["pending"].sum() else "Finish"
    return RecordNext(
        f"{settle} some of those you would give up, and tie a few of the pieces you would pass "
        "over.",
        about=About.ENDS,
    )


def _stays(other: Suppliers, first: str) -> str:
    chances = other.table.set_index("supplier")["prob_best"]
    return other.best if chances[other.best] > chances[first] + EDGE else first


def _bounded(reeds: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Success of every reed under the least and the most favourable assumption."""
    known = reeds["success"].to_numpy(float)
    back = reeds["sent_back"].to_numpy()
    gave_up = reeds["outcome"].eq("given_up").to_numpy()
    least = np.where(np.isnan(known) | back, 0.0, known)
    most = np.where(np.isnan(known) | gave_up, 1.0, known)
    return least, most


def _again(
    said: Suppliers,
    every: pd.DataFrame | None = None,
    success: np.ndarray | None = None,
    waste: np.ndarray | float = 1.0,
    untied_good: np.ndarray | float = 0.0,
    back: bool = True,
) -> Suppliers:
    """Work the answer out with other outcomes, all reeds counted, and the same minutes.

    Pieces lost before tying are paid for in every answer, as failures are, so the least favourable
    assumption has no more to say of them; `waste` is a factor on what a tied piece cost by then,
    `untied_good` the pieces never tied that count as good ones, for each tied. Without `back` no
    reed comes back beyond those that count as failures already.
    """
    basis = said.grounds()
    arms = basis.evidence.arms
    arms = arms.assign(
        cane=arms["cane"] * waste,
        minutes_before=arms["minutes_before"] * waste,
        untied_good=untied_good,
    )
    evidence, models = replace(basis.evidence, arms=arms), basis.models
    if not back:
        evidence = replace(evidence, back=evidence.back.head(0))
    if every is not None:
        evidence = replace(evidence, reeds=every.assign(success=success))
        draws, names = len(basis.lot.one.success), arms["supplier"].tolist()
        post = success_posterior(evidence.reeds, Spec(), models.seed, draws)
        models = replace(models, success=ability(post, names, seed=models.seed))
    return compared(evidence, models, said.currency, said.level)


def _shares(
    counts: pd.DataFrame, every: pd.DataFrame, least: np.ndarray, most: np.ndarray
) -> pd.DataFrame:
    known, by = counts.set_index("supplier").astype(float), every["supplier"].astype(str)
    return (
        pd.DataFrame(
            {
                "never_tied": known["never_tied"] / known["came_in"].where(known["came_in"] > 0),
                **{s: known[s] / known["tied"] for s in ("pending", "given_up", "returned")},
                "success": every["success"].groupby(by).mean(),
                "success_least": pd.Series(least).groupby(by).mean(),
                "success_most": pd.Series(most).groupby(by).mean(),
            }
        )
        .rename_axis("supplier")
        .reset_index()
    )
