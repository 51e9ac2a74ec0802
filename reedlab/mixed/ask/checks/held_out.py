"""How well the model predicts lots that it has not seen: cross-validation by lot.

Whole lots (or suppliers) are held out in turn. Their effects are integrated out, never set to zero:
a prediction is the posterior mean of the chance over the distribution of new lots' effects, which
is closer to one half than the chance of a lot with no effect.

References
----------
Murphy, A. H. (1973). A new vector partition of the probability score. Journal of Applied
Meteorology 12, 595-600. Stephenson, D. B., Coelho, C. A. S. and Jolliffe, I. T. (2008). Two extra
components in the Brier score decomposition. Weather and Forecasting 23, 752-757. Gneiting, T. and
Raftery, A. E. (2007). Strictly proper scoring rules, prediction, and estimation. Journal of the
American Statistical Association 102, 359-378.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.elementary import wilson
from reedlab.errors import ModelError
from reedlab.mixed.ask.checks.adequacy import grouping
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.design.terms import RandomTerm
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.posterior.centred import Centred
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior
from reedlab.mixed.posterior.priors import Priors

HARDLY = 0.1
"""Share of the Brier score of the overall share under which a model is hardly better than it."""

_BINS = 5  # of predicted chances, with equal counts of rows


@dataclass(frozen=True)
class HeldOut:
    """Predictions for held-out levels and how they turned out.

    Attributes
    ----------
    predictions : DataFrame
        One row an observation: level, fold, predicted, share (of successes), trials.
    bins : DataFrame
        One row a bin of predicted chances: rows, predicted, observed, low, high (Wilson, 95 %; too
        short where lots differ, for reeds of a lot go together).
    brier : Series
        score; reliability, resolution, uncertainty and within (of the bins), for which
        score = reliability - resolution + uncertainty + within.
    """

    predictions: pd.DataFrame
    bins: pd.DataFrame
    brier: pd.Series

    def sentence(self) -> str:
        """Say how much better the predictions are than the overall share, and where they fail."""
        score, alone = self.brier["score"], self.brier["uncertainty"]
        better = "worse than" if score >= alone else "better than"
        if 0.0 < alone - score < HARDLY * alone:
            better = "hardly better than"
        says = (
            f"For held-out levels the predictions are {better} the overall share of successes "
            f"alone: Brier score {score:.3f}, and {alone:.3f} with the share."
        )
        off = self.bins[
            (self.bins["predicted"] < self.bins["low"])
            | (self.bins["predicted"] > self.bins["high"])
        ]
        if not len(off):
            return f"{says} Predicted chances came true, as far as these records can show."
        worst = off.loc[(off["observed"] - off["predicted"]).abs().idxmax()]
        return (
            f"{says} A predicted {100 * worst['predicted']:.0f} in 100 came as "
            f"{100 * worst['observed']:.0f}."
        )


def calibration(
    fitted: Fitted, group: str, folds: int = 10, seed: int = 1, draws: int = 1000
) -> HeldOut:
    """Predict success for whole levels of a group that are held out in turn.

    Parameters
    ----------
    group : str
        What is held out whole: "supplier:lot" or "supplier".
    folds : int
        Number of parts that the levels are dealt into, each held out once.
    seed : int
        Of the dealing and of the posterior draws.
    draws : int
        Posterior draws a fold.

    Returns
    -------
    HeldOut

    Raises
    ------
    ModelError
        When the fit is not binomial, or has no such group.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ maker + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
    >>> model.calibration("lot", folds=3, draws=200).brier.index.tolist()
    ['score', 'reliability', 'resolution', 'uncertainty', 'within']
    """
    if fitted.family != "binomial":
        raise ModelError("calibration of success needs a binomial model.")
    design = fitted.design
    term = grouping(design, group)
    fold, predicted = _dealt(term, folds, seed), np.empty(design.n)
    for out, post, eta in _held_out(fitted, fold, seed, draws):
        predicted[out] = post.on_response_scale(eta).mean(axis=0)
    trials = np.ones(design.n) if design.trials is None else design.trials
    frame = pd.DataFrame({"level": np.array(term.levels, dtype=object)[term.index], "fold": fold})
    frame = frame.assign(predicted=predicted, share=design.y / trials, trials=trials)
    binned = predicted.round(6)  # alike reeds fall into one bin on every processor
    cuts = np.unique(np.quantile(binned, np.linspace(0, 1, _BINS + 1)))
    place = np.searchsorted(cuts[1:-1], binned, side="right")
    place = np.unique(place, return_inverse=True)[1]  # where chances tie, a bin may be empty
    return HeldOut(
        frame, _bin_table(frame, place), brier_decomposition(predicted, design.y, trials, place)
    )


def scores(
    fitted: Fitted, term: RandomTerm, folds: int = 10, seed: int = 1, draws: int = 1000
) -> np.ndarray:
    """Score the predictions for whole levels of a grouping that are held out in turn; (n,).

    The score is the continuous ranked probability score (Gneiting and Raftery 2007), 0 for a
    prediction that is certain and right: for 0 and 1 it is the Brier score, for grades the ranked
    probability score, for numbers in the response's unit; of a row of several trials their mean.
    """
    design, out = fitted.design, np.empty(fitted.design.n)
    fold = _dealt(term, folds, seed)
    for rows, post, eta in _held_out(fitted, fold, seed, draws):
        y = design.y[rows]
        if fitted.family == "gaussian":
            noise = np.random.default_rng(seed).standard_normal(eta.shape)
            sigma = post.draws()["sd Residual"].to_numpy()[:, None]
            weight = 1.0 if design.weights is None else design.weights[rows]
            out[rows] = ranked_score(eta + sigma / np.sqrt(weight) * noise, y)
            continue
        chance = post.on_response_scale(eta).mean(axis=0)
        if fitted.family == "ordinal":  # Σ over grades of (P(at most k) - 1{y at most k})²
            at_most = np.cumsum(chance, axis=1)[:, :-1]
            below = y[:, None] <= np.arange(at_most.shape[1])
            out[rows] = np.sum((at_most - below) ** 2, axis=1)
            continue
        share = y if design.trials is None else y / design.trials[rows]
        out[rows] = share * (1 - chance) ** 2 + (1 - share) * chance**2
    return out


def ranked_score(draws: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of draws (S, n) at what came (n,).

    >>> ranked_score(np.array([[1.0], [3.0]]), np.array([2.0])).tolist()
    [0.5]
    """
    # E|Y - y| - E|Y - Y'| / 2 (Gneiting and Raftery 2007, eq. 21), the last from order statistics
    s = len(draws)
    apart = (2.0 * np.arange(1, s + 1) - s - 1.0) @ np.sort(draws, axis=0) / s**2
    found: np.ndarray = np.abs(draws - y).mean(axis=0) - apart
    return found


def _dealt(term: RandomTerm, folds: int, seed: int) -> np.ndarray:
    """Deal a grouping's levels into parts at random; the part of each row."""
    check_whole(folds, 2, "folds", "folds")
    folds = min(folds, term.n_levels)
    parts = np.random.default_rng(seed).permutation(np.arange(term.n_levels) % folds)
    return np.asarray(parts[term.index])


def _held_out(
    fitted: Fitted, fold: np.ndarray, seed: int, draws: int
) -> Iterator[tuple[np.ndarray, Posterior, np.ndarray]]:
    """For each fold its rows, the posterior of the others, and draws of its linear predictor."""
    design, family, sds = fitted.design, fitted.family, Centred.of(fitted.design).sds(fitted)
    for f in range(int(fold.max()) + 1):
        out = fold == f
        rest = design.take(~out)
        priors = Priors.default(family, rest.less_offset)
        post = design_posterior(rest, family, priors, seed + f, draws, sds=sds, coarse=True)
        codes = [_codes(t, known, out) for t, known in zip(design.terms, post.design.terms)]
        eta = post.assemble(design.X[out], [t.basis[out] for t in design.terms], codes)
        yield out, post, eta if design.offset is None else eta + design.offset[out]


def _codes(term: RandomTerm, known: RandomTerm, rows: np.ndarray) -> np.ndarray:
    """Levels of some rows among those of a smaller design, new ones numbered behind."""
    levels = pd.Index(dict.fromkeys([*known.levels, *term.levels]))
    return np.asarray(levels.get_indexer(list(term.levels))[term.index[rows]])


def _bin_table(frame: pd.DataFrame, place: np.ndarray) -> pd.DataFrame:
    trials = frame["trials"]
    by_bin = frame[["predicted", "share"]].mul(trials, axis=0).assign(rows=trials).groupby(place)
    predicted, successes, rows = (total for _, total in by_bin.sum().items())
    low, high = wilson(successes, rows, 0.95)
    shares = {"predicted": predicted / rows, "observed": successes / rows, "low": low, "high": high}
    return pd.DataFrame({"rows": rows.astype(int), **shares}).reset_index(drop=True)


def brier_decomposition(
    predicted: np.ndarray, successes: np.ndarray, trials: np.ndarray, place: np.ndarray
) -> pd.Series:
    """Return the Brier score and its parts by the bins that rows are in: `place` (n,).

    >>> p, y = np.array([0.2, 0.2, 0.8, 0.8]), np.array([0.0, 0.0, 1.0, 1.0])
    >>> brier_decomposition(p, y, np.ones(4), np.array([0, 0, 1, 1])).round(2).to_dict()
    {'score': 0.04, 'reliability': 0.04, 'resolution': 0.25, 'uncertainty': 0.25, 'within': 0.0}
    """
    # Murphy 1973: reliability Σ w_k (p̄_k - ȳ_k)², resolution Σ w_k (ȳ_k - ȳ)², uncertainty
    # ȳ (1 - ȳ); what is left varies within the bins (Stephenson et al. 2008).
    weight = trials / trials.sum()
    share = successes / trials
    score = float(np.sum(weight * (share * (1 - predicted) ** 2 + (1 - share) * predicted**2)))
    base = float(np.sum(weight * share))
    in_bin = np.bincount(place, weight)
    mean_p = np.bincount(place, weight * predicted) / in_bin
    mean_y = np.bincount(place, weight * share) / in_bin
    reliability = float(np.sum(in_bin * (mean_p - mean_y) ** 2))
    resolution = float(np.sum(in_bin * (mean_y - base) ** 2))
    uncertainty = base * (1.0 - base)
    within = score - reliability + resolution - uncertainty
    parts = {"reliability": reliability, "resolution": resolution, "uncertainty": uncertainty}
    return pd.Series({"score": score, **parts, "within": within})
