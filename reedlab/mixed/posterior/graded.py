"""Ordered grades as rows of one linear predictor, their thresholds coefficients like any others.

With F the logistic function, η the linear predictor and α the thresholds, a reed of grade k has the
probability

    F(α_k - η) - F(α_(k-1) - η) = F(α_k - η) · F(η - α_(k-1)) · (1 - exp(-(α_k - α_(k-1)))):

a failure at the logit η - α_k, a success at the logit η - α_(k-1), and a gap between thresholds,
which has no part in η. All three are logarithmically concave in (η, α). At its thresholds it is the
likelihood of `reedlab.mixed.engine.ordinal`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logit

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.adjusted import Adjusted, adjusted
from reedlab.mixed.engine.binomial import BinomialLogit
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.laplace import BetaPrior
from reedlab.mixed.posterior.priors import Priors, coefficient_prior


@dataclass(frozen=True)
class GradedRows:
    """Failures and successes at the thresholds, and the gaps between thresholds, in cell order."""

    is_gap: np.ndarray  # which rows are gaps, shape (n,)
    counts: np.ndarray  # for each gap how many reeds have the grade between its thresholds
    binary: BinomialLogit | Adjusted  # the other rows

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, score and weight of each row."""
        score, weight, rows = np.empty_like(eta), np.empty_like(eta), ~self.is_gap
        loglik, score[rows], weight[rows] = self.binary.steps(eta[rows])
        gap = eta[self.is_gap]
        with np.errstate(over="ignore", divide="ignore"):
            pull = 1.0 / np.expm1(gap)  # derivative of log(1 - exp(-gap))
        score[self.is_gap] = self.counts * pull
        weight[self.is_gap] = self.counts * pull * (1.0 + pull)
        return loglik + float(self._gaps(gap).sum()), score, weight

    def log_likelihoods(self, eta: np.ndarray) -> np.ndarray:
        """Log-likelihoods (S,) at many η (S, n)."""
        gaps = self._gaps(eta[:, self.is_gap]).sum(axis=1)
        out: np.ndarray = self.binary.log_likelihoods(eta[:, ~self.is_gap]) + gaps
        return out

    def _gaps(self, gap: np.ndarray) -> np.ndarray:
        """Weigh log(1 - exp(-gap)) by the counts; minus infinity for thresholds out of order."""
        with np.errstate(divide="ignore"):
            out: np.ndarray = self.counts * np.log(-np.expm1(-np.maximum(gap, 0.0)))
        return out


def rows_of(design: Design) -> tuple[Design, GradedRows]:
    """Write a design's grades as rows with the thresholds behind β, and what they say."""
    grade, cuts = design.y.astype(np.intp), len(design.grades) - 1
    failed, passed = np.flatnonzero(grade < cuts), np.flatnonzero(grade > 0)
    reed, cut = np.append(failed, passed), np.append(grade[failed], grade[passed] - 1)
    binary = np.column_stack([design.X[reed], -np.eye(cuts)[cut]])
    counts = np.bincount(grade, design.weights, minlength=cuts + 1)[1:-1]
    between = np.flatnonzero(counts)  # a grade that no reed has says nothing of its gap
    gaps = np.zeros((len(between), binary.shape[1]))
    gaps[:, design.p :] = np.diff(np.eye(cuts), axis=0)[between]
    reed = np.append(reed, np.zeros(len(gaps), dtype=np.intp))  # some reed: a gap has no effects
    held = np.append(np.ones(len(binary)), np.zeros(len(gaps)))[:, None]
    terms = tuple(
        replace(term, index=term.index[reed], basis=term.basis[reed] * held)
        for term in design.terms
    )
    y = np.repeat([0.0, 1.0, 0.0], [len(failed), len(passed), len(gaps)])
    rows = Design(y, np.concatenate([binary, gaps]), design.fixed_names, terms)
    order = cells_of(rows).order
    is_gap = order >= len(binary)
    shares = counts[between[order[is_gap] - len(binary)]].astype(float)
    own = order[~is_gap]
    return rows, GradedRows(
        is_gap, shares, adjusted(BinomialLogit(y[own], None, 0.0), design, reed[own])
    )


def start_of(design: Design) -> np.ndarray:
    """β of 0 and the thresholds of the grades' frequencies."""
    counts = np.bincount(design.y.astype(np.intp), minlength=len(design.grades)) + 0.5
    return np.append(np.zeros(design.p), logit(np.cumsum(counts)[:-1] / counts.sum()))


def prior_of(design: Design, priors: Priors) -> BetaPrior:
    """Mean and precision of the normal prior on β and the thresholds.

    Each threshold has twice the intercept's standard deviation where every column stands at its
    mean.
    """
    mean, precision = coefficient_prior(design.X, design.fixed_names, priors)
    p, m = design.p, design.p + len(design.grades) - 1
    centred, own = np.eye(m), np.zeros((m, m))
    centred[p:, :p] = -design.X.mean(axis=0)
    own[:p, :p] = precision
    own[p:, p:] = np.eye(m - p) / (2.0 * priors.intercept_sd) ** 2
    return np.append(mean, np.zeros(m - p)), centred.T @ own @ centred
