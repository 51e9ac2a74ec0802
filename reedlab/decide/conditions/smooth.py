"""Smooth effects of moisture and of the time of year, in posterior draws.

A smooth effect is fitted with makers, suppliers and lots in a mixed model. For success it is
averaged over the lots (a marginal effect), so that it can be read as a share of reeds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.cane.moisture import year_cos_sin
from reedlab.decide import matters
from reedlab.decide.draws import interval
from reedlab.decide.evidence import as_factors
from reedlab.decide.shared_models.models import MAKERS_FIXED_BELOW
from reedlab.mixed.ask.design_table import contrast_variance

LOGIT_ATTENUATION = (16 * math.sqrt(3) / (15 * math.pi)) ** 2
"""c² of the marginal logit, η / √(1 + c² σ²), averaged over groups (Zeger, Liang, Albert 1988)."""
_SPLINE = "cr(moisture_pct, df=3, constraints='center')"
_MODELS = {"success": ("success", "binomial"), "minutes": ("log_scrape_min", "gaussian")}


@dataclass(frozen=True)
class Smooth:
    """A smooth effect in draws."""

    measure: str  # ``"success"`` or ``"minutes"``
    over: str  # ``"moisture"`` or ``"year"``
    rows: pd.DataFrame  # the reeds it was fitted to
    names: list[str]  # the fixed effects' columns
    design: np.ndarray  # (n, p) the fixed effects' columns of the rows
    beta: np.ndarray  # (draws, p) posterior draws of the fixed effects
    variance: np.ndarray  # (draws,) of all groups' effects together
    recipe: Any  # how a grid becomes columns

    def columns(self, at: np.ndarray) -> np.ndarray:
        """Return the fixed effects' columns at these values, makers as they came on average."""
        from reedlab.mixed.design.matrices import new_columns

        grid = pd.DataFrame({"maker": self.rows["maker"].iloc[0]}, index=range(len(at)))
        if self.over == "moisture":
            grid["moisture_pct"] = at
        else:
            days = pd.Timestamp("2025-01-01") + pd.to_timedelta(at, unit="D")
            grid["year_cos"], grid["year_sin"] = year_cos_sin(pd.Series(days))
        smooth, _ = new_columns(self.recipe, grid)
        own = np.array([_is_of(self.over, name) for name in self.names])
        return np.where(own, smooth, self.design.mean(axis=0))

    def values(self, at: np.ndarray) -> np.ndarray:
        """Return draws of the share of good reeds, averaged over lots, or of the minutes."""
        eta = self.beta @ self.columns(at).T
        if self.measure == "minutes":
            return np.exp(eta)
        return expit(eta / np.sqrt(1 + LOGIT_ATTENUATION * self.variance)[:, None])


def _is_of(over: str, name: str) -> bool:
    return ("moisture_pct" if over == "moisture" else "year_") in name


def fit_smooth(rows: pd.DataFrame, measure: str, over: str, seed: int = 1) -> Smooth:
    """Fit a smooth effect on success or log minutes, adjusted for makers, suppliers and lots.

    It is over ``"moisture"``, a natural cubic spline with three degrees of freedom, or over the
    ``"year"``, a cosine and a sine.
    """
    from reedlab.mixed import fit
    from reedlab.mixed.posterior.priors import Priors

    terms = _SPLINE if over == "moisture" else "year_cos + year_sin"
    rows = as_factors(rows, "maker", "supplier", "lot")
    response, family = _MODELS[measure]
    model = fit(f"{response} ~ {terms}{groups_of(rows)}", rows, family=family)
    priors = Priors.log_minutes() if measure == "minutes" else Priors()
    draws = model.posterior(seed=seed, priors=priors).draws()
    design = model.fitted.design
    names = list(design.fixed_names)
    sds = [name for name in draws if name.startswith("sd ") and name != "sd Residual"]
    return Smooth(
        measure,
        over,
        rows,
        names,
        design.X,
        draws[names].to_numpy(),
        np.square(draws[sds]).sum(axis=1).to_numpy(),
        model.fitted.recipe,
    )


def groups_of(rows: pd.DataFrame) -> str:
    """Write the formula's groupings: makers fixed below five, lots within suppliers.

    Examples
    --------
    >>> rows = pd.DataFrame({"maker": ["KL", "RS"], "supplier": "ochre", "lot": ["L1", "L2"]})
    >>> groups_of(rows)
    ' + maker + (1 | lot)'
    """
    makers = rows["maker"].nunique()
    text = "" if makers < 2 else " + maker" if makers < MAKERS_FIXED_BELOW else " + (1 | maker)"
    suppliers = rows["supplier"].nunique()
    nested = suppliers > 1 and rows["lot"].nunique() > suppliers
    return text + (" + (1 | supplier/lot)" if nested else " + (1 | lot)")


def curve(smooth: Smooth, at: np.ndarray, level: float = 0.9) -> pd.DataFrame:
    """Return a smooth effect with its band, one row a place; see `Seasons.curves`."""
    values = smooth.values(at)
    low, high = interval(values, level)
    return pd.DataFrame(
        {
            "measure": smooth.measure,
            "over": smooth.over,
            "at": at,
            "value": np.median(values, axis=0),
            "low": low,
            "high": high,
        }
    )


def contrast(
    smooth: Smooth, first: tuple[str, float], second: tuple[str, float], level: float = 0.9
) -> dict[str, Any]:
    """Compare two places of a smooth effect; see `Seasons.table` for the columns.

    Further ``mean`` and ``sd`` of the effect in smallest sizes that matter, which are of a
    difference of shares or of log minutes, and ``usual``, the value at the second place.
    """
    at = np.array([first[1], second[1]])
    one, other = smooth.values(at).T
    effect, none = (one - other, 0.0) if smooth.measure == "success" else (one / other, 1.0)
    low, high = interval(effect, level)
    in_sizes = effect / matters.SUCCESS
    if smooth.measure == "minutes":
        in_sizes = np.log(effect) / matters.MINUTES
    above = float(np.mean(effect > none))
    return {
        "measure": smooth.measure,
        "over": smooth.over,
        "first": first[0],
        "second": second[0],
        "effect": float(np.median(effect)),
        "low": float(low),
        "high": float(high),
        "prob": max(above, 1 - above),
        "ratio": variance_ratio(smooth, at),
        "reeds": len(smooth.rows),
        "mean": float(in_sizes.mean()),
        "sd": float(in_sizes.std()),
        "usual": float(np.median(other)),
    }


def variance_ratio(smooth: Smooth, at: np.ndarray) -> float:
    """Return a contrast's variance adjusted for suppliers and makers over its variance without.

    A variance inflation factor: where suppliers or makers came and went with the season it is
    large, and what looks like the season may be theirs. Linear models on the same columns give
    both variances.
    """
    rows = smooth.rows
    own = [i for i, name in enumerate(smooth.names) if _is_of(smooth.over, name)]
    X = smooth.design[:, own]
    factors = [
        pd.get_dummies(rows[name], drop_first=True, dtype=float).to_numpy()
        for name in ("supplier", "maker")
        if rows[name].nunique() > 1
    ]
    of_grid = smooth.columns(at)
    difference = (of_grid[0] - of_grid[1])[own]
    alone = np.column_stack([np.ones(len(rows)), X])
    beside = np.column_stack([alone, *factors])

    def variance(design: np.ndarray) -> float:
        wanted = np.zeros(design.shape[1])
        wanted[1 : 1 + len(own)] = difference
        return contrast_variance(design.T @ design, wanted)

    return variance(beside) / variance(alone)
