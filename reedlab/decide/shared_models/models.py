"""The models behind a comparison of suppliers, and their posterior draws in parts.

Success is binomial; outcomes that are still pending are drawn with it. Minutes are log-normal,
fitted separately for reeds that succeeded and for those that failed: a reed given up took less
time, and its minutes vary more, so one model for both would bias both means. Makers are a fixed
effect below five of them, seasons always. A maker learns and a workshop changes, so success and log
minutes may change by so much a year, by maker; the next lot is worked today, at the end of that
line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from reedlab.decide.answer import CannotAnswer, RecordNext
from reedlab.decide.evidence import FEWEST_TIMED, SHELF, YEARS, Evidence, as_factors, count, listed
from reedlab.decide.next_lot import Ability, NextLot, next_lot
from reedlab.decide.shared_models import change, lot_correlation
from reedlab.decide.shared_models.change import CHANGES, changes, of_years
from reedlab.decide.shared_models.waits import Waits
from reedlab.errors import DataError, ModelError
from reedlab.mixed.ask.intervals import check_choice
from reedlab.mixed.design.matrices import Recipe, build
from reedlab.mixed.design.terms import Design
from reedlab.mixed.fitting import Fit, fit
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.unknown_outcomes import with_unknown
from reedlab.records.tables import in_words

MAKERS_FIXED_BELOW = 5
_LEAST = 20
"""Reeds below which minutes of successes and of failures share one model."""
_ALONE = 40
"""Reeds timed by themselves from which on those timed in batches are left out."""
_FEWEST_YEARS = 0.5
"""Years of records below which nothing can be said of a change."""
A_YEAR = {"binomial": 1.0, "gaussian": 0.35}
"""Sd of the prior on a change a year, on the logit and in log minutes."""
A_YEAR_ON_THE_SHELF = {"binomial": 0.6, "gaussian": 0.2}
"""Sd of the prior on what a year on the shelf changes, on the logit and in log minutes."""
_FEWEST_SHELF_YEARS = 0.25
"""Difference in age below which nothing can be said of it."""
_MAKERS_APART = 0.5
"""That of a maker's change less the first maker's, for each 1 of it."""
_SETS, FEWER_SETS, _FEW_PENDING = 6, 3, 0.02
"""Completed sets that are pooled where outcomes are pending, and where at most this share are."""
_MOST_CIRCUMSTANCES = 400
"""Distinct makers, seasons and measures of reeds that a mean over the reeds is taken of."""


@dataclass(frozen=True)
class Spec:
    """How the models are set up; the defaults are the answer, the others check it."""

    # what is compared: ``supplier``, or ``form`` (of cane, with suppliers as a random effect)
    arm: str = "supplier"
    terms: tuple[str, ...] = ()  # further fixed terms, such as ``between(density_g_cm3, lot)``
    fixed: bool = False  # suppliers as a fixed effect instead of a random one
    # factor on the scales of the priors on the standard deviations between groups
    prior_factor: float = 1.0
    changing: bool = True  # whether success and minutes may change with the years
    settled: bool = False  # whether only settled reeds count, pending ones neither way
    harvests: bool = False  # whether lots of one harvest year may be alike
    shelf: bool = False  # whether cane may change on the shelf
    sets: int = _SETS  # completed sets that are pooled, at most, where outcomes are pending


@dataclass(frozen=True)
class Models:
    """Posterior draws of the models, one column an arm, in the order of the evidence."""

    success: Ability
    # no minutes, no ability in them
    when_good: Ability | None
    when_failed: Ability | None
    seed: int  # seed of the next lots
    notes: tuple[str, ...] = ()  # sentences on what the models assume and on what changes
    # see `reedlab.decide.shared_models.change.changes`; empty where the models have no such term
    changes: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(CHANGES)))
    # of a lot's effects on success and on log minutes, shape (draws,), or 0 where no minutes can
    # say
    correlation: np.ndarray | float = 0.0

    def next_lot(self, evidence: Evidence, correlation: float | None = None) -> NextLot:
        """Join the draws with new lots and with what a tied piece costs before it is scraped.

        A lot's effects go together as estimated, unless their correlation is given.
        """
        cane, minutes = evidence.arms[["cane", "minutes_before"]].fillna(0.0).to_numpy(float).T
        parts = (self.success, self.when_good, self.when_failed)
        together = self.correlation if correlation is None else correlation
        lot = next_lot(*parts, cane, minutes, together, self.seed)
        more = np.asarray(evidence.arms.get("untied_good", 0.0), dtype=float)
        return NextLot(lot.expected.joined_by_good(more), lot.one.joined_by_good(more))


def fit_models(
    evidence: Evidence, seed: int = 1, draws: int = 4000, spec: Spec | None = None
) -> Models:
    """Fit the models of success and of minutes and draw from their posteriors.

    There are no abilities in minutes where too few were recorded.
    """
    spec = spec or Spec()
    names = evidence.arms[spec.arm].tolist()
    reeds = evidence.settled if spec.settled else evidence.reeds
    waiting: tuple[str, ...] = ()
    if spec.settled or evidence.pending.empty:
        of_success = success_posterior(reeds, spec, seed, draws)
    else:
        of_success, waiting = _with_pending(evidence, spec, seed, draws)
    success = ability(of_success, names, spec.arm, seed)
    timed, notes = _timed(reeds)
    notes = (*waiting, *notes)
    if timed is None:
        moved = changes(of_success, None)
        return Models(success, None, None, seed, (*notes, *change.said(moved)), moved)
    apart = {s: timed[timed["success"] == s] for s in (1.0, 0.0)}
    if min(len(rows) for rows in apart.values()) >= _LEAST:
        (of_good, [good]), (_, [failed]) = (
            _minutes(rows, spec, names, seed + i, draws, (s,))
            for i, (s, rows) in enumerate(apart.items(), start=1)
        )
    else:
        if min(len(rows) for rows in apart.values()):
            spec = replace(spec, terms=(*spec.terms, "success"))
        of_good, [good, failed] = _minutes(timed, spec, names, seed + 1, draws, (1.0, 0.0))
        notes = (*notes, "Minutes of successes and of failures share one model: few were timed.")
    if not (good.residual_sd.any() and failed.residual_sd.any()):
        notes = (
            *notes,
            "Scraping times are too few or too even to distinguish suppliers: their mean counts "
            "for all of them.",
        )
    moved = changes(of_success, of_good)
    together = np.zeros(draws)
    if of_good is not None:
        together = lot_correlation.correlations(of_success, of_good, seed)
    notes = (*notes, *change.said(moved), *lot_correlation.said(together))
    return Models(success, good, failed, seed, notes, moved, together)


def _minutes(
    timed: pd.DataFrame,
    spec: Spec,
    names: Sequence[str],
    seed: int,
    draws: int,
    outcomes: Sequence[float],
) -> tuple[Posterior | None, list[Ability]]:
    """One model of these reeds' log minutes, and ability in them for each of the outcomes."""
    spread = timed["log_scrape_min"].groupby(timed["success"]).transform("std").fillna(0.0)
    post = None
    if (spread >= 1e-9).any():  # not the same round number for every reed
        with suppress(ModelError):  # a few reeds that suppliers and lots explain to the last minute
            post = _posterior("log_scrape_min", timed, "gaussian", spec, seed, draws)
    if post is None:
        mean = timed["log_scrape_min"].groupby(timed["success"]).mean()
        none = np.zeros(draws)
        return None, [
            Ability(
                np.full((draws, 1), mean.get(outcome, mean.iloc[0])),
                np.ones(1),
                np.zeros((draws, len(names))),
                none,
                none,
            )
            for outcome in outcomes
        ]
    held = [{"success": s} if "success" in spec.terms else {} for s in outcomes]
    return post, [ability(post, names, spec.arm, seed, h) for h in held]


def ability(
    post: Posterior,
    names: Sequence[str],
    arm: str = "supplier",
    seed: int = 1,
    held: Mapping[str, float] | None = None,
) -> Ability:
    """Split a posterior's linear predictor into its parts, an arm of `names` a column.

    Lots are in the model, and the arm as a random or a fixed effect. An arm that is new to it is
    drawn, by `seed`, from the distribution of all; where the arm is not the supplier, suppliers
    vary like lots. `held` are columns held at a value. What changes with the years is held at
    today; the others keep the values of the model's reeds.
    """
    design, draws = post.design, post.draws()
    X = design.X.copy()
    X[:, [of_years(name) for name in design.fixed_names]] = 0.0  # the next lot is worked today
    if SHELF in design.fixed_names:  # and its cane as old as these reeds' was
        shelf = design.fixed_names.index(SHELF)
        X[:, shelf] = np.median(X[:, shelf])
    for name, value in (held or {}).items():
        X[:, design.fixed_names.index(name)] = value
    own = {
        i: name.removeprefix(f"{arm}[T.").removesuffix("]")
        for i, name in enumerate(design.fixed_names)
        if name.startswith(f"{arm}[")
    }
    beta = draws[list(design.fixed_names)].to_numpy()
    X[:, list(own)] = 0.0
    groups = {term.group: term for term in design.terms}
    maker = groups["maker"].index if "maker" in groups else np.zeros(design.n, dtype=int)
    rows, counts = np.unique(np.column_stack([maker, X]), axis=0, return_counts=True)
    if len(rows) > _MOST_CIRCUMSTANCES:
        rows, counts = _thinned(rows, counts, rows[:, 1:] @ beta.mean(axis=0))
    base = beta @ rows[:, 1:].T
    if "maker" in groups:
        base += post.levels_draws("maker").to_numpy()[:, rows[:, 0].astype(int)]
    effects = pd.DataFrame(0.0, index=draws.index, columns=list(names))
    for i, name in own.items():
        effects[name] = beta[:, i]
    lot_sd = draws["sd supplier:lot" if "supplier:lot" in groups else "sd lot"].to_numpy()
    if "harvest_year" in groups:  # the next lot is of another year
        lot_sd = np.hypot(lot_sd, draws["sd harvest_year"].to_numpy())
    if "supplier" in groups and arm == "supplier":
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(7,)))
        known = post.levels_draws("supplier")
        for name in names:
            unseen = draws["sd supplier"] * rng.standard_normal(len(draws))
            effects[name] = known.get(name, unseen)
    elif "supplier" in groups:
        lot_sd = np.hypot(lot_sd, draws["sd supplier"].to_numpy())
    residual = draws["sd Residual"].to_numpy() if post.family == "gaussian" else 0.0 * lot_sd
    return Ability(base, counts / counts.sum(), effects[list(names)].to_numpy(), lot_sd, residual)


def _thinned(
    rows: np.ndarray, counts: np.ndarray, expected: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Take the middle circumstances of equal shares of the reeds, in order of what to expect."""
    order = np.argsort(expected, kind="stable")
    shares = (np.arange(_MOST_CIRCUMSTANCES) + 0.5) / _MOST_CIRCUMSTANCES
    middle = np.searchsorted(np.cumsum(counts[order]), shares * counts.sum())
    return rows[order[middle]], np.ones(_MOST_CIRCUMSTANCES)


def success_posterior(reeds: pd.DataFrame, spec: Spec, seed: int, draws: int) -> Posterior:
    """Return the posterior of success of settled reeds, on the logit scale."""
    return _posterior("success", reeds, "binomial", spec, seed, draws)


def _with_pending(
    evidence: Evidence, spec: Spec, seed: int, draws: int
) -> tuple[Posterior, tuple[str, ...]]:
    """Posterior of success with pending outcomes drawn, and what is expected of them."""
    reeds = pd.concat([evidence.reeds, evidence.pending], ignore_index=True)
    reeds = reeds.dropna(subset=[spec.arm, "supplier", "lot", "maker", "season"])
    if not reeds["success"].isna().any():
        return success_posterior(evidence.reeds, spec, seed, draws), ()
    waits = Waits.of(reeds)
    design, recipe, priors = _model("success", reeds.fillna({"success": 0.0}), "binomial", spec)
    sets = spec.sets if waits.unknown.mean() > _FEW_PENDING else FEWER_SETS
    post, chances = with_unknown(
        design, waits.unknown, waits.proposed(seed).log_odds, priors, sets, seed, draws, recipe
    )
    return post, (
        f"Pending reeds: {len(chances)}, of which about {chances.sum():.0f} should turn out good "
        "by how long they have waited; each counts with its chance.",
    )


def _posterior(
    response: str, reeds: pd.DataFrame, family: str, spec: Spec, seed: int, draws: int
) -> Posterior:
    design, recipe, priors = _model(response, reeds, family, spec)
    return design_posterior(design, family, priors, seed, draws, recipe, coarse=True)


def _model(
    response: str, reeds: pd.DataFrame, family: str, spec: Spec
) -> tuple[Design, Recipe, Priors]:
    reeds = as_factors(reeds, spec.arm, "supplier", "lot", "maker", "season")
    formula = f"{response} ~ {formula_of(reeds, spec)}"
    design, recipe = build(formula, reeds, family)
    priors = Priors.log_minutes() if family == "gaussian" else Priors()
    by_column = {
        name: A_YEAR[family] * (1.0 if name == YEARS else _MAKERS_APART)
        for name in filter(of_years, design.fixed_names)
    }
    if SHELF in design.fixed_names:
        by_column[SHELF] = A_YEAR_ON_THE_SHELF[family]
    return design, recipe, replace(priors.scaled(spec.prior_factor), by_column=by_column)


def formula_of(reeds: pd.DataFrame, spec: Spec) -> str:
    """Return the right-hand side that these reeds can carry.

    Fixed terms, then random ones: makers are fixed below `MAKERS_FIXED_BELOW`, a factor of one
    level is left out, and so are years that are too few (reeds of `Evidence` count them).

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> formula_of(simulate_reeds(seed=1)[0], Spec())
    '1 + maker + season + (1 | supplier/lot)'
    """
    several = {c: reeds[c].nunique() for c in ("supplier", "maker", "season")}
    fixed = ["1", *spec.terms]
    random = ["(1 | supplier/lot)"]
    if spec.fixed or several["supplier"] < 2:
        random = ["(1 | lot)"]
        fixed += ["supplier"] * (several["supplier"] > 1)
    if spec.arm != "supplier" and reeds[spec.arm].nunique() > 1:
        fixed.append(spec.arm)
    if several["maker"] >= MAKERS_FIXED_BELOW:
        random.append("(1 | maker)")
    elif several["maker"] > 1:
        fixed.append("maker")
    if several["season"] > 1:
        fixed.append("season")
    if spec.changing and YEARS in reeds and np.ptp(reeds[YEARS]) >= _FEWEST_YEARS:
        fixed += [YEARS, *([f"maker:{YEARS}"] if "maker" in fixed else [])]
    if spec.shelf and of_several_ages(reeds):
        fixed.append(SHELF)
    if spec.harvests and several_harvests(reeds):
        random.append("(1 | harvest_year)")
    return " + ".join([*fixed, *random])


def of_several_ages(reeds: pd.DataFrame) -> bool:
    """Whether it is known how long the cane of each reed lay, and some lay for longer."""
    return bool(SHELF in reeds and np.ptp(reeds[SHELF]) >= _FEWEST_SHELF_YEARS)


def several_harvests(reeds: pd.DataFrame) -> bool:
    """Whether these reeds' harvest years are all known and not all the same."""
    return bool(reeds["harvest_year"].notna().all() and reeds["harvest_year"].nunique() > 1)


def fit_reeds(response: str, reeds: pd.DataFrame, *terms: str) -> Fit:
    """Fit success or log minutes of reeds on what they can carry, or say what they lack.

    Parameters
    ----------
    response : str
        ``"success"`` or ``"log_scrape_min"``; reeds without it are left out.
    reeds : pandas.DataFrame
        From ``bench.reeds``.
    *terms : str
        Further fixed terms, such as ``"scale(density_g_cm3)"``.

    Returns
    -------
    Fit
        Its ``formula`` is `formula_of` these reeds.

    Raises
    ------
    CannotAnswer
        When the reeds are of one lot, or too few or too alike for the model: a bench in its first
        weeks.
    ModelError
        For another response.

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> fit_reeds("success", simulate_reeds(seed=1)[0]).formula
    'success ~ 1 + maker + season + (1 | supplier/lot)'
    """
    check_choice(response, ("success", "log_scrape_min"), "response of reeds")
    known = reeds.dropna(subset=[response])
    lots = known["lot"].nunique()
    if known.empty and response == "log_scrape_min":
        raise CannotAnswer(
            "No reed that is asked about has its minutes: none has turned out well yet, or its "
            "minutes are not noted.",
            RecordNext("Record outcome and minutes, and ask again when some reeds have both."),
        )
    if lots < 2:
        asked = [name for name in reeds if any(re.search(rf"\b{name}\b", t) for t in terms)]
        asked += ["rough_min", "finish_min"] if response == "log_scrape_min" else []
        measured = f" with {listed([in_words(name) for name in asked])}" if asked else ""
        raise CannotAnswer(
            f"Only {count(len(known), 'reed')} of {count(lots, 'lot')}{measured} can answer this, "
            "and one lot says nothing of another."
            if lots
            else f"There is no reed with an outcome{measured} yet.",
            RecordNext(
                f"Record {'them for ' if asked else ''}five to ten reeds of at least two lots."
            ),
        )
    if known[response].nunique() == 1:
        raise CannotAnswer(
            f"The {len(known)} reeds of {lots} lots that can answer this are alike in what is "
            "asked.",
            RecordNext("Go on recording, and ask again when some of them differ."),
        )
    formula = f"{response} ~ {formula_of(known, Spec(terms=terms))}"
    try:
        return fit(formula, known, family="binomial" if response == "success" else "gaussian")
    except (DataError, ModelError) as refusal:
        raise CannotAnswer(
            f"{len(known)} reeds of {lots} lots are too few, or too alike, for this question (the "
            f"model says: {str(refusal).rstrip('.')}).",
            RecordNext("Record more of them, by every maker and in every season."),
        ) from refusal


def _timed(reeds: pd.DataFrame) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Choose the reeds whose minutes count.

    In a batch timed together a good reed and a failed one get the same minutes, which would hide
    how they differ; so batches are left out where enough reeds were timed by themselves.
    """
    timed = reeds[reeds["log_scrape_min"].notna()]
    if len(timed) < FEWEST_TIMED:
        return None, ("Too few scraping times are recorded to say what they cost.",)
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
