"""Whether the choice of supplier hangs on how the models were set up.

The answer stands on suppliers as a random effect and on priors for how much suppliers and lots
differ; with three to eight suppliers neither is innocent. So it is worked out again with suppliers
as a fixed effect, which borrows nothing from one supplier for another, and with the priors on every
group's sd at half and at twice their scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reedlab.decide.draws import stacked
from reedlab.decide.evidence import listed
from reedlab.decide.models import Spec, fit_models
from reedlab.decide.suppliers.comparison import SupplierAnswer, answer

VARIANTS = {
    "as answered": Spec(),
    "suppliers fixed": Spec(fixed=True),
    "priors at half": Spec(prior_factor=0.5),
    "priors at twice": Spec(prior_factor=2.0),
}


@dataclass(frozen=True)
class Robustness:
    """The answer under other models.

    Attributes
    ----------
    table
        variant, supplier, success, cost, cost_low, cost_high, prob_best.
    best
        The supplier chosen in each variant.
    verdicts
        How sure each variant is.
    """

    table: pd.DataFrame
    best: dict[str, str]
    verdicts: dict[str, str]

    def sentence(self) -> str:
        """Say whether the choice changes, and under what."""
        first = self.best["as answered"]
        if self.table["supplier"].nunique() == 1:
            return f"There is no choice to check: every settled reed is {first}'s."
        unsure = self.verdicts["as answered"] == "cannot tell"
        other = [v for v, name in self.best.items() if name != first]
        if other:
            what = "Which supplier is likeliest" if unsure else "The choice"
            return (
                f"{what} hangs on the model: with {listed(other)} it is "
                f"{listed(dict.fromkeys(self.best[v] for v in other))} instead of {first}, so take "
                "it as open."
            )
        unlike = [v for v, said in self.verdicts.items() if said != self.verdicts["as answered"]]
        if unsure:
            though = (
                f"; only with {listed(unlike)} would they, so take it as open" if unlike else ""
            )
            return f"The records cannot tell, with {first} the likeliest under any model{though}."
        if unlike:
            return (
                f"The choice stays with {first} under other models, but how sure it is changes "
                f"with {listed(unlike)}."
            )
        return (
            f"The choice stays with {first}, and as sure, whether suppliers are a random or a "
            "fixed effect and with priors at half and at twice their scale."
        )


def check(said: SupplierAnswer, draws: int = 4000) -> Robustness:
    """Work a comparison of suppliers out again under other models.

    Parameters
    ----------
    said
        The answer to check; its own evidence and seed are used.
    draws
        Number of posterior draws of each variant.

    Returns
    -------
    Robustness
    """
    answers = {"as answered": said}
    for name, spec in VARIANTS.items():
        if name not in answers:
            models = fit_models(said.evidence, said.models.seed, draws, spec)
            answers[name] = answer(said.evidence, models, said.currency, said.level)
    columns = ["supplier", "success", "cost", "cost_low", "cost_high", "prob_best"]
    return Robustness(
        stacked({name: a.table[columns] for name, a in answers.items()}, "variant"),
        {name: a.best for name, a in answers.items()},
        {name: a.verdict for name, a in answers.items()},
    )
