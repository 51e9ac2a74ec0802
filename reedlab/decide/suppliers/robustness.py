"""Whether the choice of supplier depends on how the models were set up.

The answer takes suppliers as a random effect, with priors on how much suppliers and lots differ;
with three to eight suppliers both matter. So it is worked out again with suppliers as a fixed
effect (no partial pooling), with the priors on every standard deviation between groups at half and
at twice their scale, as if nothing changed with the years, on settled reeds only, as if lots of one
harvest year were alike, and as if cane changed on the shelf.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pandas as pd

from reedlab.decide.answer import Answer, Verdict, claims_frame, empty, question, weakest
from reedlab.decide.draws import stacked
from reedlab.decide.evidence import listed
from reedlab.decide.shared_models.models import (
    FEWER_SETS,
    Spec,
    fit_models,
    of_several_ages,
    several_harvests,
)
from reedlab.decide.suppliers.comparison import Suppliers, compared

AS_ANSWERED = "as answered"
FIXED = "suppliers fixed"
NO_CHANGE = "no change over the years"
SETTLED = "settled reeds only"
HARVESTS = "lots of one harvest year alike"
SHELF_LIFE = "cane that changes on the shelf"
VARIANTS = {
    AS_ANSWERED: Spec(),
    FIXED: Spec(fixed=True),
    "priors at half": Spec(prior_factor=0.5),
    "priors at twice": Spec(prior_factor=2.0),
    NO_CHANGE: Spec(changing=False),
    SETTLED: Spec(settled=True),
    HARVESTS: Spec(harvests=True),
    SHELF_LIFE: Spec(shelf=True),
}
MOST_FIXED = 30
"""Suppliers above which each is not tried as a fixed effect: so many tell how far they differ."""
_DRAWS = 2000
"""Of each other model, half as many as of the answer, and of half as many completed sets: enough to
see whether it stays."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Robustness(Answer):
    """The comparison of suppliers under other models; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        variant, supplier, success, cost, cost_low, cost_high, prob_best.
    claims
        That the supplier chosen is the cheapest under every model, with its lowest probability;
        then each variant's own claim. Sizes as in `Suppliers.claims`.
    best
        The supplier chosen in each variant.
    verdicts
        How sure each variant is.
    """

    table: pd.DataFrame = empty(
        "variant", "supplier", "success", "cost", "cost_low", "cost_high", "prob_best"
    )
    best: dict[str, str] = field(default_factory=dict)
    verdicts: dict[str, Verdict] = field(default_factory=dict)

    def _sentence(self) -> str:
        first, sure = self.best[AS_ANSWERED], self.verdicts[AS_ANSWERED]
        if self.table["supplier"].nunique() == 1:
            return f"There is no choice to check: every settled reed is {first}'s."
        unsure = sure is Verdict.CANNOT_SAY
        other = [v for v, name in self.best.items() if name != first]
        if other:
            what = "Which supplier is likeliest" if unsure else "The choice"
            return (
                f"{what} depends on the model: with {listed(other)} it is "
                f"{listed(dict.fromkeys(self.best[v] for v in other))} instead of {first}. Take it "
                "as open."
            )
        unlike = [v for v, verdict in self.verdicts.items() if verdict is not sure]
        if unsure:
            though = f" Only with {listed(unlike)} could one say more." if unlike else ""
            return f"Cannot say yet, but {first} is the likeliest under every model.{though}"
        if unlike:
            return (
                f"The choice stays with {first} under other models, but how sure it is changes "
                f"with {listed(unlike)}."
            )
        return (
            f"The choice stays with {first}, and as sure, with "
            f"{listed(v for v in self.best if v != AS_ANSWERED)}."
        )


@question(Robustness)
def check(said: Suppliers) -> Robustness:
    """Work a comparison of suppliers out again under other models, from its own evidence."""
    basis = said.grounds()
    answers = {AS_ANSWERED: said}
    few = basis.evidence.settled
    none_pending = basis.evidence.pending.empty and len(few) == len(basis.evidence.reeds)
    many = said.table["supplier"].nunique() > MOST_FIXED
    without = {
        FIXED: many,
        NO_CHANGE: said.changes.empty,
        SETTLED: none_pending or few["lot"].nunique() < 2 or not few["success"].any(),
        HARVESTS: not several_harvests(basis.evidence.reeds),
        SHELF_LIFE: not of_several_ages(basis.evidence.reeds),
    }
    notes = (f"Suppliers fixed is not tried with more than {MOST_FIXED} of them.",) * many
    for name, spec in VARIANTS.items():
        if name != AS_ANSWERED and not without.get(name):
            other = replace(spec, sets=FEWER_SETS)
            models = fit_models(basis.evidence, basis.models.seed, _DRAWS, other)
            answers[name] = compared(basis.evidence, models, said.currency, said.level)
    columns = ["supplier", "success", "cost", "cost_low", "cost_high", "prob_best"]
    best = {name: a.best for name, a in answers.items()}
    return Robustness(
        table=stacked({name: a.table[columns] for name, a in answers.items()}, "variant"),
        level=said.level,
        claims=_claims(answers, said.best),
        notes=(*said.notes, *notes),
        record_next=said.record_next,
        best=best,
        verdicts={name: a.verdict for name, a in answers.items()},
    )


def _claims(answers: dict[str, Suppliers], first: str) -> pd.DataFrame:
    """One claim over all variants, and each variant's own."""
    chances = [a.table.set_index("supplier")["prob_best"][first] for a in answers.values()]
    stays = all(a.best == first for a in answers.values())
    grade = weakest(a.verdict for a in answers.values()) if stays else Verdict.CANNOT_SAY
    own = [(name, *a.claims.iloc[0]) for name, a in answers.items()]
    least = min(size for *_, size, _ in own) if stays else float("nan")
    rows = [(f"{first} is the cheapest under every model.", min(chances), grade, least, stays)]
    rows += [(f"{statement.removesuffix('.')} ({name}).", *rest) for name, statement, *rest in own]
    return claims_frame(rows)
