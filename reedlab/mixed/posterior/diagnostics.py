"""Whether a posterior may be trusted, check by check.

The lattice over the standard deviations ends somewhere, and a mean may depend on where. The mean of
1/p, by which every cost of a saleable reed grows, is the hardest: given the standard deviations it
grows as exp(s²/2) with the variance s² of new levels, so that it exists only while each half-normal
prior falls faster, that is for scales under 1 on the logit scale. Twice the default scale is past
that: medians still stand then, means of costs do not, and `diagnostics` says so.

At a node of the lattice the linear predictor η of a reed whose columns stand at their means and
whose levels are all new is normal with mean m and variance v, so that E[1/p] = 1 + exp(v/2 - m) and
E[minutes] = exp(m + (v + σ²)/2) have closed forms, and the nodes are averaged by their weights.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import logsumexp, ndtr

from reedlab.errors import PosteriorWarning
from reedlab.mixed.posterior.conditional import Conditional, Modes
from reedlab.mixed.posterior.lattice import Lattice, widen
from reedlab.mixed.posterior.sampling import Sample


@dataclass(frozen=True)
class Check:
    """One check of a posterior: its name, its limit, and what a value past the limit means."""

    name: str
    limit: float
    meaning: str
    at_least: bool = False

    def row(self, value: float) -> dict[str, object]:
        """Return a value's row of the table."""
        ok = bool(value >= self.limit if self.at_least else value <= self.limit)
        row = {"check": self.name, "value": value, "limit": self.limit}
        return row | {"ok": ok, "meaning": self.meaning}


EDGE = Check(
    "weight on the outermost points",
    0.01,
    "share of the probability at the end of the range over which the standard deviations were "
    "explored",
)
TAIL = Check(  # the limit is that of Vehtari et al. (2024), see importance.py
    "tail of the importance weights (Pareto k)",
    0.7,
    "over the limit a few draws stand for most of the posterior: take tighter priors, or leave out "
    "a term of which the records say little",
)
SHARE = Check(
    "effective share of the proposals",
    0.1,
    "under the limit the draws repeat a few proposals: ask for more draws",
    at_least=True,
)
CONFLICT = Check(
    "chance by its prior of so large a standard deviation",
    0.01,
    "under the limit prior and records disagree on a standard deviation, and the prior makes it "
    "smaller: give Priors with a larger scale",
    at_least=True,
)
INVERSE = Check(
    "change of mean 1/success",
    0.01,
    "of a reed from a next lot and supplier, when the range of the standard deviations doubles: "
    "over the limit mean costs depend on where the range ends, so take medians or smaller prior "
    "scales",
)
MINUTES = Check(
    "change of mean minutes",
    0.01,
    "of a reed from a next lot and supplier, when the range of the standard deviations doubles: "
    "over the limit means depend on where the range ends, so take medians or smaller prior scales",
)


def at_fit(lattice: Lattice, sample: Sample) -> pd.DataFrame:
    """Return the checks that cost nothing; columns as in `diagnose`."""
    values = ((EDGE, lattice.edge_weight), (TAIL, sample.pareto_k), (SHARE, sample.effective))
    return pd.DataFrame([check.row(value) for check, value in values])


def diagnose(cond: Conditional, lattice: Lattice, sample: Sample, minutes: bool) -> pd.DataFrame:
    """Return every check of a posterior, whose Gaussian response may be a logarithm of minutes.

    One row each: check; value; limit (at most, for the effective share at least); ok; meaning.
    """
    rows = [CONFLICT.row(least_chance(cond, lattice))]
    if cond.family != "gaussian":
        rows.append(INVERSE.row(change_of_mean(cond, lattice)))
    elif minutes:
        rows.append(MINUTES.row(change_of_mean(cond, lattice)))
    return pd.concat([at_fit(lattice, sample), pd.DataFrame(rows)], ignore_index=True)


def worst(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return each check as it stands in the worst of several posteriors' tables.

    Columns as in `diagnose`, and imputation: the table (from 1) that the row is from.
    """
    numbered = [table.assign(imputation=i) for i, table in enumerate(tables, 1)]
    every = pd.concat(numbered, ignore_index=True)
    at_least = every["check"].isin([check.name for check in (SHARE, CONFLICT)])
    badness = every["value"].where(~at_least, -every["value"])
    return every.loc[badness.groupby(every["check"], sort=False).idxmax()].reset_index(drop=True)


def warn(table: pd.DataFrame) -> None:
    """Warn of each check that failed, with a `PosteriorWarning`."""
    for row in table[~table["ok"]].itertuples():
        warnings.warn(
            f"The posterior fails a check: {row.check} is {row.value:.3g} (limit {row.limit:g}): "
            f"{row.meaning}.",
            PosteriorWarning,
            stacklevel=3,
        )


def least_chance(cond: Conditional, lattice: Lattice) -> float:
    """Smallest prior chance P(|N(0, scale²)| > mean) of a standard deviation's posterior mean."""
    scales, points = cond.scales, lattice.points
    sds, limits = points[:, : len(scales.sd_names)], scales.sd_scales
    if scales.residual:
        sds = np.column_stack([sds, scales.sigma(points)])
        limits = np.append(limits, scales.residual_scale)
    return float(2.0 * ndtr(-(lattice.weights @ sds) / limits).min(initial=0.5))


def change_of_mean(cond: Conditional, lattice: Lattice) -> float:
    """Relative change of mean 1/p, or of mean minutes, when the range explored doubles."""
    log_value = _log_value(cond)
    wide = widen(cond.with_prior, lattice, log_value)
    before, after = (
        logsumexp(np.log(each.weights) + log_value(each.points, each.modes))
        for each in (lattice, wide)
    )
    with np.errstate(over="ignore"):
        return float(abs(np.expm1(after - before)))


def _log_value(cond: Conditional) -> Callable[[np.ndarray, Modes], np.ndarray]:
    """Log of the mean of 1/p or of minutes at points, given the conditional's modes there."""
    design = cond.design
    row = np.zeros(cond.m - cond.q)
    row[: design.p] = design.X.mean(axis=0)
    if cond.family == "ordinal":
        row[-1] = -1.0  # the highest grade: η less the last threshold
    bases = [term.basis.mean(axis=0) for term in design.terms]

    def log_value(points: np.ndarray, modes: Modes) -> np.ndarray:
        # Given the standard deviations η is normal: β by its joint normal, and each new level
        # u = Λ z adds |Λ'b|².
        mean = modes.x[:, cond.q :] @ row
        variance = modes.variances(row)
        for basis, lam in zip(bases, cond.scales.lambdas(points)):
            variance += np.sum((basis @ lam) ** 2, axis=1)
        if cond.family == "gaussian":
            log_minutes: np.ndarray = mean + 0.5 * (variance + cond.scales.sigma(points) ** 2)
            return log_minutes
        # E[1/p] = 1 + E[exp(-η)], the mean of a log-normal
        return np.logaddexp(0.0, 0.5 * variance - mean)

    return log_value
