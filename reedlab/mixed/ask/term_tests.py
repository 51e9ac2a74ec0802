"""Tests of a model's terms: F where it is Gaussian, and likelihood ratios with simulated nulls.

A p-value goes beside an effect's size and interval, never in their place. The usual chi-square
nulls are wrong where it matters here. At the boundary a variance's null is a mixture of a mass at
zero and chi-squares: for the variance between three suppliers of five reeds each
the mass at zero is 0.60 by REML and 0.74 by ML, not one half; and a coefficient that varies between
suppliers has as many independent observations as there are suppliers, not reeds. So those nulls are
simulated.

References
----------
Crainiceanu, C. M. and Ruppert, D. (2004). Likelihood ratio tests in linear mixed models with one
variance component. Journal of the Royal Statistical Society B 66, 165-185.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import chi2

from reedlab.errors import ModelError
from reedlab.mixed.ask.adequacy import columns_of_terms, grouping
from reedlab.mixed.ask.intervals import given, refuse_idle
from reedlab.mixed.ask.satterthwaite import Spread
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.simulation import simulate
from reedlab.mixed.parallel import run_seeded


@dataclass(frozen=True)
class RatioTest:
    """A likelihood-ratio test.

    Attributes
    ----------
    statistic : float
        Twice the difference of the log-likelihoods.
    p : float
        Share of the null at or above it.
    null : ndarray
        The simulated statistics, empty where the chi-square was used.
    df : float
        Degrees of freedom of the chi-square; nan for a variance.
    method : str
        "chi-square" or "simulated".
    """

    statistic: float
    p: float
    null: np.ndarray = field(repr=False)
    df: float
    method: str

    @property
    def mass_at_zero(self) -> float:
        """Share of the simulated null at zero."""
        return float(np.mean(self.null < 1e-6)) if len(self.null) else np.nan


def term_tests(
    fitted: Fitted,
    method: str = "auto",
    *,
    n: int | None = None,
    seed: int | None = None,
    workers: int | None = None,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Test each term of the fixed part, all its columns together, the others kept.

    A factor that is in an interaction is tested at the other factor's first level.

    Parameters
    ----------
    method : str
        "satterthwaite" (F, Gaussian models only), "ratio" (of maximum likelihoods, its null chosen
        as in `likelihood_ratio`), "chi-square" or "simulated" (that ratio with a null of one's
        own), or "auto": F for Gaussian models, the ratio for others.
    n, seed, workers, progress : optional
        Of simulated nulls, as in `reedlab.mixed.ask.intervals.conf_int`; 999 refits unless given.

    Returns
    -------
    DataFrame
        statistic (F, or twice the difference of the log-likelihoods), df, df_residual (F's alone),
        p, null ("F", "chi-square" or "simulated"); one row a term.

    Raises
    ------
    ModelError
        For a method that there is not, or an option of a simulated null where there is none.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ season + (1 | lot)", simulate_reeds(seed=1)[0])
    >>> model.term_tests().loc["season", "null"]
    'F'
    """
    if method == "auto":
        method = "satterthwaite" if fitted.family == "gaussian" else "ratio"
    options = given(n=n, seed=seed, workers=workers, progress=progress)
    if method in ("satterthwaite", "chi-square"):
        refuse_idle(options, "F tests" if method == "satterthwaite" else "chi-square tests")
    names, null = fitted.design.fixed_names, "auto" if method == "ratio" else method
    spread = Spread(fitted) if method == "satterthwaite" else None
    rows: dict[str, tuple[float | str, ...]] = {}
    for term, at in columns_of_terms(fitted).items():
        if spread is not None:
            rows[term] = (*spread.f_test(fitted.beta, np.eye(len(names))[at]), "F")
            continue
        dropped = [names[j] for j in at]
        ratio = likelihood_ratio(fitted, dropped, null, **options)
        rows[term] = (ratio.statistic, len(at), np.nan, ratio.p, ratio.method)
    columns = ["statistic", "df", "df_residual", "p", "null"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("term")


def variance_test(
    fitted: Fitted,
    group: str,
    n: int = 999,
    seed: int = 1,
    workers: int = 1,
    progress: bool = False,
) -> RatioTest:
    """Test whether a group's effects vary at all, the null simulated by refitting.

    The null is the model without the group's term; responses simulated from it are fitted with
    and without the term. Gaussian fits are compared by the likelihood they were made by (REML's is
    comparable here, for the coefficients are the same). With three suppliers of five reeds each
    the ratio is 0 in 60 % of data without any difference (by ML in 74 %), not in half of them.

    Parameters
    ----------
    group : str
        The term's grouping, such as "supplier", or its last part, "lot".
    n : int
        Number of simulated responses.
    seed, workers, progress
        As in `reedlab.mixed.ask.intervals.conf_int`.

    Returns
    -------
    RatioTest

    Raises
    ------
    ModelError
        When the model has no such group.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ 1 + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
    >>> model.variance_test("lot", n=19).p
    0.05
    """
    design = fitted.design
    tested = grouping(design, group).group
    less = replace(design, terms=tuple(t for t in design.terms if t.group != tested))
    return simulated_ratio(less, fitted, fitted.refit(less), np.nan, n, seed, workers, progress)


def likelihood_ratio(
    fitted: Fitted,
    drop: Sequence[str],
    method: str = "auto",
    n: int = 999,
    seed: int = 1,
    workers: int = 1,
    progress: bool = False,
) -> RatioTest:
    """Test coefficients together by the ratio of maximum likelihoods.

    Parameters
    ----------
    fitted : Fitted
        The fit; it is refitted by ML where it was by REML.
    drop : sequence of str
        Names of the columns that the null leaves out, such as all those of "season".
    method : {"auto", "chi-square", "simulated"}
        "chi-square", "simulated" (parametric bootstrap), or "auto": simulated where a dropped
        column is constant within the levels of a group, for then the groups are what is counted.
    n, seed, workers, progress
        Of the simulated null.

    Returns
    -------
    RatioTest

    Raises
    ------
    ModelError
        For a coefficient or a method that there is not, or where none would be left.
    """
    design = fitted.design
    unknown = [name for name in drop if name not in design.fixed_names]
    if unknown or not len(drop):
        known = ", ".join(design.fixed_names)
        raise ModelError(
            f"there is no coefficient {unknown or ''!r} to test: the model has {known}."
        )
    keep = [j for j, name in enumerate(design.fixed_names) if name not in drop]
    if not keep and fitted.family != "ordinal":  # whose thresholds are left
        raise ModelError("a null model needs at least one column: do not drop all coefficients.")
    less = replace(
        design, X=design.X[:, keep], fixed_names=tuple(design.fixed_names[j] for j in keep)
    )
    full = fitted.refit(design, reml=False) if fitted.reml else fitted
    null = full.refit(less)
    statistic = max(2.0 * (full.llf - null.llf), 0.0)
    columns = [j for j in range(design.p) if j not in keep]
    if method == "auto":
        method = "simulated" if any(_varies_between(design, j) for j in columns) else "chi-square"
    if method == "chi-square":
        df = len(columns)
        return RatioTest(statistic, float(chi2.sf(statistic, df)), np.zeros(0), df, method)
    if method != "simulated":
        raise ModelError(f"there is no method {method!r}: choose auto, chi-square or simulated.")
    return simulated_ratio(less, full, null, len(columns), n, seed, workers, progress)


def simulated_ratio(
    less: Design,
    full: Fitted,
    null: Fitted,
    df: float,
    n: int,
    seed: int,
    workers: int,
    progress: bool,
) -> RatioTest:
    """Compare the ratio of a fit and its null with those of responses simulated from the null."""
    task = partial(_ratio, less, full, null)
    found = run_seeded(task, n, seed, workers, progress, "Simulated null")
    statistics = np.array([value for value in found if value is not None])
    statistic = max(2.0 * (full.llf - null.llf), 0.0)
    # the data count as one of the n + 1 (Davison and Hinkley 1997, 4.2), so that p is never 0
    p = (1.0 + np.sum(statistics >= statistic - 1e-9)) / (1.0 + len(statistics))
    return RatioTest(statistic, float(p), statistics, df, "simulated")


def _varies_between(design: Design, column: int) -> bool:
    """Whether a column is constant within every level of some group."""
    by_term = (pd.Series(design.X[:, column]).groupby(term.index) for term in design.terms)
    return any((by_level.nunique() == 1).all() for by_level in by_term)


def _ratio(less: Design, full: Fitted, null: Fitted, seed: np.random.SeedSequence) -> float | None:
    """Statistic of one response simulated from the null; none where it cannot be fitted."""
    y = simulate(null, np.random.default_rng(seed))
    try:
        above = full.refit(full.design.with_response(y))
        below = full.refit(less.with_response(y))
    except ModelError:
        return None
    return max(2.0 * (above.llf - below.llf), 0.0)
