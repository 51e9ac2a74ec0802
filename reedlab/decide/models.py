"""The models that a comparison of suppliers stands on, and their posterior draws in parts.

Success is binomial on settled reeds. Minutes are log-normal, fitted apart for reeds that succeeded
and for those that failed: a reed given up has taken less time, and its minutes spread more, so that
one model for both would bend both means. Makers are a fixed effect below five of them, seasons
always.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from reedlab.decide.evidence import Evidence
from reedlab.decide.nextlot import Ability, NextLot, next_lot
from reedlab.mixed.matrices import build
from reedlab.mixed.posterior import Posterior, design_posterior
from reedlab.mixed.priors import Priors

MAKERS_FIXED_BELOW = 5
_LEAST = 20
"""Reeds below which minutes of successes and of failures share one model."""
_ALONE = 40
"""Reeds timed by themselves from which on those timed in batches are left out."""


@dataclass(frozen=True)
class Spec:
    """How the models are set up; the defaults are the answer, the others check it.

    Attributes
    ----------
    terms
        Further fixed terms of the model of success, such as ``between(density_g_cm3, lot)``.
    fixed_suppliers
        Suppliers as a fixed effect instead of a random one.
    prior_factor
        Factor on the scales of the priors on the sds of groups.
    """

    terms: tuple[str, ...] = ()
    fixed_suppliers: bool = False
    prior_factor: float = 1.0


@dataclass(frozen=True)
class Models:
    """Posterior draws of the models, in the order of ``Evidence.suppliers``.

    Attributes
    ----------
    success, when_good, when_failed
        See `Ability`; no minutes, no ability.
    seed
        Seed of the next lots.
    notes
        Sentences on what the models rest on.
    """

    success: Ability
    when_good: Ability | None
    when_failed: Ability | None
    seed: int
    notes: tuple[str, ...] = ()

    def next_lot(self, evidence: Evidence, correlation: float = 0.0) -> NextLot:
        """Join the draws with new lots and with what a tied piece costs before it is scraped."""
        known = evidence.suppliers
        return next_lot(
            self.success,
            self.when_good,
            self.when_failed,
            known["cane"].fillna(0.0).to_numpy(float),
            known["minutes_before"].fillna(0.0).to_numpy(float),
            correlation,
            self.seed,
        )


def fit_models(
    evidence: Evidence, seed: int = 1, draws: int = 4000, spec: Spec | None = None
) -> Models:
    """Fit the models of success and of minutes and draw from their posteriors."""
    with threadpool_limits(1):  # thousands of small solves: more threads only wait for each other
        return _fit_models(evidence, seed, draws, spec or Spec())


def _fit_models(evidence: Evidence, seed: int, draws: int, spec: Spec) -> Models:
    reeds = evidence.reeds
    names = evidence.suppliers["supplier"].tolist()
    success = ability(_posterior("success", reeds, "binomial", spec, seed, draws), names, seed)
    timed, notes = _timed(reeds)
    if timed is None:
        return Models(success, None, None, seed, notes)
    spec = Spec(fixed_suppliers=spec.fixed_suppliers, prior_factor=spec.prior_factor)
    apart = {s: timed[timed["success"] == s] for s in (1.0, 0.0)}
    if min(len(rows) for rows in apart.values()) >= _LEAST:
        good, failed = (
            _minutes(rows, spec, names, seed + i, draws)
            for i, rows in enumerate(apart.values(), start=1)
        )
    else:
        if min(len(rows) for rows in apart.values()):
            spec = Spec(("success",), spec.fixed_suppliers, spec.prior_factor)
        good, failed = (_minutes(timed, spec, names, seed + 1, draws, s) for s in (1.0, 0.0))
        notes = (*notes, "Minutes of successes and of failures share one model: few were timed.")
    return Models(success, good, failed, seed, notes)


def _minutes(
    timed: pd.DataFrame,
    spec: Spec,
    names: Sequence[str],
    seed: int,
    draws: int,
    success: float | None = None,
) -> Ability:
    """Ability in log minutes, of both outcomes held at one of them or of reeds of one outcome."""
    same = timed["log_scrape_min"].groupby(timed["success"]).transform("std").fillna(0.0)
    if (same < 1e-9).all():  # the same round number for every reed: nothing varies
        own = timed[timed["success"] == success] if success in set(timed["success"]) else timed
        one = np.full((draws, 1), own["log_scrape_min"].mean())
        none = np.zeros(draws)
        return Ability(one, np.ones(1), np.zeros((draws, len(names))), none, none)
    held = {"success": success} if success is not None and "success" in spec.terms else {}
    post = _posterior("log_scrape_min", timed, "gaussian", spec, seed, draws)
    return ability(post, names, seed, held)


def ability(
    post: Posterior, suppliers: Sequence[str], seed: int, held: Mapping[str, float] | None = None
) -> Ability:
    """Take a posterior's linear predictor apart.

    Parameters
    ----------
    post
        The posterior of a model with lots, and suppliers as a random or a fixed effect.
    suppliers
        The suppliers wanted. One that the model has not met is drawn from all suppliers.
    seed
        Seed of such a supplier's effect.
    held
        Columns held at a value; the others stand as in the reeds of the model.
    """
    design, draws = post.design, post.draws()
    X = design.X.copy()
    for name, value in (held or {}).items():
        X[:, design.fixed_names.index(name)] = value
    own = [i for i, name in enumerate(design.fixed_names) if name.startswith("supplier[")]
    beta = draws[list(design.fixed_names)].to_numpy()
    X[:, own] = 0.0
    groups = {term.group: term for term in design.terms}
    maker = groups["maker"].index if "maker" in groups else np.zeros(design.n, dtype=int)
    rows, counts = np.unique(np.column_stack([maker, X]), axis=0, return_counts=True)
    base = beta @ rows[:, 1:].T
    if "maker" in groups:
        base += post.levels_draws("maker").to_numpy()[:, rows[:, 0].astype(int)]
    effects = pd.DataFrame(0.0, index=draws.index, columns=list(suppliers))
    if "supplier" in groups:
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(7,)))
        known = post.levels_draws("supplier")
        for name in suppliers:
            unseen = draws["sd supplier"] * rng.standard_normal(len(draws))
            effects[name] = known.get(name, unseen)
    for i in own:
        effects[design.fixed_names[i].removeprefix("supplier[T.").removesuffix("]")] = beta[:, i]
    lot = "supplier:lot" if "supplier:lot" in groups else "lot"
    residual = draws["sd Residual"] if post.family == "gaussian" else 0.0 * draws[f"sd {lot}"]
    return Ability(
        base,
        counts / counts.sum(),
        effects[list(suppliers)].to_numpy(),
        draws[f"sd {lot}"].to_numpy(),
        residual.to_numpy(),
    )


def _posterior(
    response: str, reeds: pd.DataFrame, family: str, spec: Spec, seed: int, draws: int
) -> Posterior:
    reeds = reeds.assign(
        **{c: pd.Categorical(reeds[c].astype(str)) for c in ("supplier", "lot", "maker", "season")}
    )
    formula = f"{response} ~ {formula_of(reeds, spec)}"
    design, recipe = build(formula, reeds, family)
    priors = Priors.default(family, response, design.y).scaled(spec.prior_factor)
    return design_posterior(design, family, priors, seed, draws, recipe)


def formula_of(reeds: pd.DataFrame, spec: Spec) -> str:
    """Return the right-hand side that these reeds can carry.

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> formula_of(simulate_reeds(seed=1)[0], Spec())
    '1 + maker + season + (1 | supplier/lot)'
    """
    several = {c: reeds[c].nunique() for c in ("supplier", "maker", "season")}
    fixed = ["1", *spec.terms]
    random = ["(1 | supplier/lot)"]
    if spec.fixed_suppliers or several["supplier"] < 2:
        random = ["(1 | lot)"]
        fixed += ["supplier"] * (several["supplier"] > 1)
    if several["maker"] >= MAKERS_FIXED_BELOW:
        random.append("(1 | maker)")
    elif several["maker"] > 1:
        fixed.append("maker")
    if several["season"] > 1:
        fixed.append("season")
    return " + ".join([*fixed, *random])


def _timed(reeds: pd.DataFrame) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Choose the reeds whose minutes count.

    In a batch timed together a good reed and a failed one get the same minutes, which would hide
    what tells them apart; so batches are left out where enough reeds were timed by themselves.
    """
    timed = reeds[reeds["log_scrape_min"].notna()]
    if len(timed) < 8:
        return None, ("Too few scraping times are recorded: bench time is left out of the cost.",)
    if "minutes_shared" not in timed or not timed["minutes_shared"].any():
        return timed, ()
    alone = timed[~timed["minutes_shared"].astype(bool)]
    if len(alone) >= _ALONE and (alone["success"] == 1.0).any() and (alone["success"] == 0.0).any():
        return alone, (
            f"Minutes come from the {len(alone)} reeds timed by themselves; in a batch, good reeds "
            "and failed ones share the same minutes.",
        )
    return timed, (
        "Minutes of batches are shared out evenly, which blurs what a good reed takes from what a "
        "failed one does: time more reeds by themselves.",
    )
