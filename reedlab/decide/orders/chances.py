"""What a blank can become: its chance of turning out good, and of each strength, draw by draw."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedlab.decide.evidence import gather
from reedlab.decide.shared_models.models import Spec, success_posterior
from reedlab.mixed.posterior.nested_laplace import Posterior
from reedlab.records.tables import STRENGTHS

Floats = NDArray[np.float64]
_LATEST = 60
"""Reeds tied last, whose circumstances stand for those of the next ones."""
_LOST_BY = {
    "tie": (),
    "rough": ("tie", "rough"),
    "finish": ("tie", "rough", "dry", "clip"),
}
"""Stages at which a blank with this last step can no longer be lost."""


class Chances:
    """Posterior draws of what blanks become.

    Parameters
    ----------
    bench : Bench
        The records.
    seed, draws : int
        Of the posterior.

    Raises
    ------
    CannotAnswer
        When too few reeds of this bench are settled.
    """

    def __init__(self, bench: Any, seed: int, draws: int) -> None:
        evidence = gather(bench)
        self.reeds, self.draws = evidence.reeds, draws
        self._suppliers = bench.tables["lots"].drop_duplicates("lot").set_index("lot")["supplier"]
        self._post: Posterior = success_posterior(self.reeds, Spec(), seed, draws)
        self._rows = self.reeds.sort_values("tied_on", kind="stable").tail(_LATEST)
        self._known: dict[str, Floats] = {}
        self._rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(41,)))
        self._left = self._still_to_lose()

    def of_lot(self, lot: str) -> Floats:
        """Chance (draws,) that a blank of this lot turns out good, as the latest reeds were made.

        A lot without a settled reed is a new lot of its supplier.
        """
        if lot not in self._known:
            supplier = str(self._suppliers.get(lot, ""))
            rows = self._rows.assign(lot=lot, supplier=supplier)
            known = {name: set(self.reeds[name].astype(str)) for name in ("lot", "supplier")}
            # A new supplier makes its lots new too.
            new = next((n for n in ("supplier", "lot") if rows[n].iloc[0] not in known[n]), None)
            groups = {term.group for term in self._post.design.terms}
            named = "supplier:lot" if new == "lot" and "supplier:lot" in groups else new
            new_levels = [named] if named in groups else []
            self._known[lot] = self._post.predict(rows, new_levels=new_levels).mean(axis=1)
        return self._known[lot]

    def of_blank(self, lot: str, last: str) -> Floats:
        """Chance (draws,) of a blank whose last step was `last`: what is past can lose no more.

        With a share f of the failures still to come, p / (p + (1 - p) f) by Bayes' rule.
        """
        p = self.of_lot(lot)
        return p / (p + (1 - p) * self._left[last])

    def _still_to_lose(self) -> dict[str, Floats]:
        """Share (draws,) of failures that are lost after each step, from a Jeffreys prior."""
        stages = self.reeds.loc[self.reeds["success"] == 0, "lost_at"].dropna().astype(str)
        out = {}
        for last, past in _LOST_BY.items():
            lost = int(stages.isin(past).sum())
            if not past or stages.empty:
                out[last] = np.ones(self.draws)
            else:
                out[last] = self._rng.beta(len(stages) - lost + 0.5, lost + 0.5, self.draws)
        return out

    def strengths(self) -> Floats:
        """Share (draws, 5) of each strength among good reeds, from a Jeffreys prior."""
        good = self.reeds.loc[self.reeds["success"] == 1, "strength"].dropna().astype(str)
        counts = good.value_counts().reindex(STRENGTHS, fill_value=0).to_numpy()
        return self._rng.dirichlet(counts + 0.5, self.draws)

    @property
    def strengths_noted(self) -> int:
        """Number of good reeds with a strength."""
        return int(self.reeds.loc[self.reeds["success"] == 1, "strength"].notna().sum())
