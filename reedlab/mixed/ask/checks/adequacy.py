"""Is the model adequate: shares of variance, collinearity, and influence of one lot or supplier.

References
----------
Nakagawa, S., Johnson, P. C. D. and Schielzeth, H. (2017). The coefficient of determination R² and
intra-class correlation coefficient from generalized linear mixed-effects models revisited and
expanded. Journal of the Royal Society Interface 14, 20170213. Johnson, P. C. D. (2014). Extension
of Nakagawa and Schielzeth's R²GLMM to random slopes models. Methods in Ecology and Evolution 5,
944-946. Fox, J. and Monette, G. (1992). Generalized collinearity diagnostics. Journal of the
American Statistical Association 87, 178-183.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.ask.cautions import refuse_unusable
from reedlab.mixed.ask.intervals import estimates
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import Fitted


def variance_shares(fitted: Fitted) -> pd.DataFrame:
    """Return how much of the variance on the linear predictor's scale each part makes up.

    The fixed part's variance is that of Xβ over the rows; a group's is the mean over the rows of z'
    Σ z, its effects' variance at the row's own z (Johnson 2014); the distribution's is the
    residual's, or π²/3 on the logit scale (Nakagawa et al. 2017).
    """
    refuse_unusable(fitted, "Shares of variance", groups=True)
    parts = {"fixed": float(np.var(fitted.design.X @ fitted.beta, ddof=1))}
    for term, covariance in zip(fitted.design.terms, fitted.covariances):
        mean = np.einsum("nk,kj,nj->n", term.basis, covariance, term.basis).mean()
        parts[term.group] = parts.get(term.group, 0.0) + float(mean)
    parts["distribution"] = fitted.sigma**2 if fitted.family == "gaussian" else np.pi**2 / 3.0
    variance = pd.Series(parts, name="variance")
    return pd.DataFrame({"variance": variance, "share": variance / variance.sum()})


def icc(fitted: Fitted) -> pd.DataFrame:
    """Return intra-class correlations, of each group and of all together.

    The share of the variance on the linear predictor's scale that lies between a group's levels:
    the correlation of two reeds of one level.

    Returns
    -------
    DataFrame
        adjusted (the fixed part taken out), unadjusted; one row a group and one "all groups".

    Raises
    ------
    ModelError
        For a fit without finite estimates (separation), or one that did not converge.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ maker + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
    >>> model.icc().index.tolist()
    ['supplier', 'supplier:lot', 'all groups']
    """
    variance = variance_shares(fitted)["variance"]
    groups = variance.drop(["fixed", "distribution"])
    groups["all groups"] = groups.sum()
    without = variance.drop("fixed").sum()
    return pd.DataFrame({"adjusted": groups / without, "unadjusted": groups / variance.sum()})


def r_squared(fitted: Fitted) -> pd.Series:
    """Return Nakagawa's R², the shares of the variance that the fixed part and the groups explain.

    Returns
    -------
    Series
        marginal (fixed part), conditional (fixed part and groups).

    Raises
    ------
    ModelError
        For a fit without finite estimates (separation), or one that did not converge.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ maker + (1 | lot)", simulate_reeds(seed=1)[0])
    >>> bool(model.r_squared()["marginal"] < model.r_squared()["conditional"])
    True
    """
    share = variance_shares(fitted)["share"]
    return pd.Series({"marginal": share["fixed"], "conditional": 1.0 - share["distribution"]})


def collinearity(fitted: Fitted) -> pd.DataFrame:
    """Return generalised variance inflation factors of the fixed part's terms.

    By rules of thumb (from memory) over 5 is high and over 10 too high for a term of one column;
    what a coefficient's interval says counts for more.

    Returns
    -------
    DataFrame
        columns (number of columns of the term), vif, and se_factor: vif to 1 / (2 columns), by
        which the standard errors are the longer; one row a term.

    Raises
    ------
    ModelError
        For a fit without finite estimates (separation), or one that did not converge.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ season + maker + (1 | lot)", simulate_reeds()[0], "binomial")
    >>> bool((model.collinearity()["vif"] < 1.5).all())
    True
    """
    refuse_unusable(fitted, "Variance inflation factors")
    # GVIF = det R11 det R22 / det R (Fox and Monette 1992), with R the correlations of the
    # coefficients' estimates instead of the columns', which gives the same ratio.
    names = fitted.design.fixed_names
    keep = [j for j, name in enumerate(names) if name != "Intercept"]
    sd = np.sqrt(np.diag(fitted.cov_beta))
    correlation = fitted.cov_beta / np.outer(sd, sd)
    whole = np.linalg.slogdet(correlation[np.ix_(keep, keep)])[1]
    rows = {}
    for label, columns in columns_of_terms(fitted).items():
        rest = [j for j in keep if j not in columns]
        own = np.linalg.slogdet(correlation[np.ix_(columns, columns)])[1]
        other = np.linalg.slogdet(correlation[np.ix_(rest, rest)])[1] if rest else 0.0
        vif = float(np.exp(own + other - whole))
        se_factor = vif ** (0.5 / len(columns))
        rows[label] = {"columns": len(columns), "vif": vif, "se_factor": se_factor}
    shown = ["columns", "vif", "se_factor"]  # also where the fixed part is an intercept alone
    return pd.DataFrame.from_dict(rows, orient="index", columns=shown).astype({"columns": int})


def columns_of_terms(fitted: Fitted) -> dict[str, list[int]]:
    """Columns of each term of the fixed part but the intercept."""
    names, spec = list(fitted.design.fixed_names), fitted.recipe.fixed
    columns = {
        str(term): [names.index(str(spec.column_names[i])) for i in at]
        for term, at in spec.term_indices.items()
        if str(term) != "1"
    }
    return {term: at for term, at in columns.items() if at}


def influence(fitted: Fitted, group: str) -> pd.DataFrame:
    """Refit without each level of a group and say what changes.

    Parameters
    ----------
    group : str
        A grouping of the model, "supplier" or "supplier:lot" (or its last part, "lot").

    Returns
    -------
    DataFrame
        One row a level: rows (left out), cook (Cook's distance: the squared change of all
        coefficients in their own covariance, divided by their number), then for each coefficient
        its change in standard errors and for each other parameter its change. Missing where the
        model cannot be fitted without the level.

    Raises
    ------
    ModelError
        When the model has no such group, or the fit no finite estimates.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ maker + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
    >>> model.influence("supplier").shape
    (5, 7)
    """
    refuse_unusable(fitted, "Changes of the estimates")
    design = fitted.design
    term = grouping(design, group)
    before = estimates(fitted)
    se = np.sqrt(np.diag(fitted.cov_beta))
    fixed = list(design.fixed_names)
    others = [name for name in before.index if name not in fixed]
    precision = np.linalg.inv(fitted.cov_beta)
    rows = {}
    for code, level in enumerate(term.levels):
        keep = term.index != code
        rows[level] = row = {"rows": int(np.sum(~keep)), "cook": np.nan}
        again = _without(fitted, keep)
        if again is None:
            continue
        change = estimates(again) - before
        moved = change[fixed].to_numpy()
        # Cook's distance: (β₋ - β)' V⁻¹ (β₋ - β) / p, V the covariance of β (Cook 1977)
        row["cook"] = float(moved @ precision @ moved) / design.p
        row.update(zip(fixed, moved / se))
        row.update(change[others].astype(float))
    columns = ["rows", "cook", *fixed, *others]  # also where no level can be left out
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=columns)
    return frame.astype(dict.fromkeys(columns, float) | {"rows": int})


def _without(fitted: Fitted, keep: np.ndarray) -> Fitted | None:
    """Refit on some of the rows; return none where they do not determine the model."""
    if np.linalg.matrix_rank(fitted.design.X[keep]) < fitted.design.p:
        return None
    try:
        again = fitted.refit(fitted.design.take(keep), start=fitted.theta)
    except ModelError:
        return None
    return again if again.converged else None  # as where the rest separates: it has no estimates


def grouping(design: Design, name: str) -> RandomTerm:
    """Return the random term of a grouping, by its name or its last part: "supplier:lot", "lot"."""
    for term in sorted(design.terms, key=lambda term: term.group != name):  # whole names first
        if name in (term.group, term.group.split(":")[-1]):
            return term
    known = ", ".join(term.group for term in design.terms) or "none"
    raise ModelError(f"the model has no group {name!r}: it has {known}.")
