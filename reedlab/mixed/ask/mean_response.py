"""The mean response over rows put under conditions, from an estimate or from draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.elementary import quick_expit
from reedlab.errors import ModelError
from reedlab.mixed.ask.predict import mean_of_expit
from reedlab.mixed.design.matrices import Recipe, new_columns, new_offset
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.posterior.nested_laplace import Posterior

_BATCH = 2_000_000  # draws times rows held at once


@dataclass(frozen=True)
class Source:
    """Where coefficients and variances come from: one estimate with its covariance, or draws."""

    family: str
    recipe: Recipe
    x: np.ndarray  # (1, m) coefficients and thresholds
    covariances: list[np.ndarray]  # each (1 or S, k, k) of each random term's effects
    covariance: np.ndarray | None  # (m, m) of the estimate, for the delta method; none for draws
    p: int  # number of coefficients
    outcomes: tuple[str, ...]  # the grades whose chances are asked for; none for the other families
    at_least: bool  # whether chances are those of at least a grade

    @classmethod
    def of(cls, model: Fitted | Posterior, at_least: bool = False) -> Source:
        """Take what is needed of a fit, or of all draws of a posterior."""
        if at_least and model.family != "ordinal":
            raise ModelError("at_least= belongs to ordered grades: leave it out.")
        if isinstance(model, Fitted):
            x = np.concatenate([model.beta, model.thresholds])[None]
            covariances, covariance = [c[None] for c in model.covariances], model.cov_fixed
        else:
            size = model.design.p + len(model.design.threshold_names)
            x, covariance = model.draws().to_numpy()[:, :size], None
            lambdas = model.conditional.scales.lambdas(model.sample.points)
            covariances = [lam @ lam.transpose(0, 2, 1) for lam in lambdas]
        recipe: Any = model.recipe
        outcomes, p = model.design.grades[int(at_least) :], model.design.p
        return cls(model.family, recipe, x, covariances, covariance, p, outcomes, at_least)

    def mean(self, setting: Setting, x: np.ndarray, groups: str) -> np.ndarray:
        """Mean response over a setting's rows, (len(x), 1), or the chance of each outcome."""
        beta, cuts = x[:, : self.p], x[:, self.p :]
        if self.family == "gaussian":
            added = float(setting.weight @ setting.offset)
            return (beta @ (setting.weight @ setting.X))[:, None] + added
        if self.family == "binomial":
            cuts = np.zeros((len(x), 1))
        above = np.zeros(cuts.shape)
        # Seven nodes err by 1e-4 at a variance of 2, a fiftieth of the Monte Carlo error of draws.
        how: Any = (15, expit) if len(x) == 1 else (7, quick_expit)
        step = max(1, _BATCH // len(x))
        for start in range(0, len(setting.weight), step):
            rows = slice(start, start + step)
            eta, variance = beta @ setting.X[rows].T + setting.offset[rows], np.zeros((1, 1))
            if groups == "integrated":
                parts = zip((basis[rows] for basis in setting.bases), self.covariances)
                # variance of z'u at the row's own z: z' Σ z
                variance = sum((np.einsum("nk,skj,nj->sn", b, c, b) for b, c in parts), variance)
            for k in range(cuts.shape[1]):
                mean = mean_of_expit(eta - cuts[:, [k]], variance, *how)
                above[:, k] += mean @ setting.weight[rows]
        if self.family == "binomial" or self.at_least:
            return above
        ends = np.ones((len(x), 1))
        return -np.diff(np.concatenate([ends, above, 0.0 * ends], axis=1), axis=1)


@dataclass(frozen=True)
class Setting:
    """Rows put under conditions, coded: the distinct ones, each with its share of all."""

    X: np.ndarray  # (rows, p) columns of the fixed part
    bases: list[np.ndarray]  # each (rows, k) columns of each random term
    weight: np.ndarray  # (rows,) share of each row
    offset: np.ndarray  # (rows,) what is added without a coefficient

    @classmethod
    def of(
        cls, recipe: Recipe, data: pd.DataFrame, condition: Mapping[str, Any], average: str
    ) -> Setting:
        """Put the rows of `data`, or with "middle" one made of their means, under a condition."""
        frame = _grid(recipe, data, condition) if average == "middle" else data.assign(**condition)
        (X, bases), added = new_columns(recipe, frame), new_offset(recipe, frame)[:, None]
        if average == "middle":
            middle = [basis.mean(axis=0, keepdims=True) for basis in bases]
            return cls(X.mean(axis=0, keepdims=True), middle, np.ones(1), added.mean(axis=0))
        parts = [X, *bases, added]
        both, counts = np.unique(np.hstack(parts), axis=0, return_counts=True)
        ends = np.cumsum([part.shape[1] for part in parts])[:-1]
        X, *bases, added = np.split(both, ends, axis=1)
        return cls(X, bases, counts / counts.sum(), added[:, 0])


def _grid(recipe: Recipe, data: pd.DataFrame, condition: Mapping[str, Any]) -> pd.DataFrame:
    """Every combination of factors' levels, what is set and numbers' means with each."""
    values: dict[str, list[Any]] = {}
    for name in sorted(recipe.dtypes):
        if name in condition:
            values[name] = [condition[name]]
        elif name in recipe.factors:
            values[name] = list(recipe.factors[name])
        elif pd.api.types.is_numeric_dtype(data[name].dtype):
            values[name] = [float(data[name].mean())]
        else:  # the lots of within() and between()
            values[name] = list(data[name].unique())
    if not values:
        return pd.DataFrame(index=[0])
    return pd.DataFrame(list(product(*values.values())), columns=list(values))
