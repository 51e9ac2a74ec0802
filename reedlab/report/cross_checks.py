"""What other well-kept libraries say beside reedlab's models: a check, and a plainer view.

`gee` is the population-averaged counterpart of a binomial mixed model, `single_grouping` fits a
Gaussian model that has lots as its only grouping with statsmodels, and `cane_pairs` and
`lot_contrasts` compare measured cane with pingouin.

References
----------
Zeger, S. L., Liang, K.-Y. and Albert, P. S. (1988). Models for longitudinal data: a generalized
estimating equation approach. Biometrics, 44, 1049-1060.

Mancl, L. A. and DeRouen, T. A. (2001). A covariance estimator for GEE with improved small-sample
properties. Biometrics, 57, 126-134.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.decide.conditions.smooth import LOGIT_ATTENUATION
from reedlab.errors import FormulaError, ModelError

if TYPE_CHECKING:
    from reedlab.mixed.fitting import Fit


MOST_LOTS = 40
"""Lots that are drawn or compared one by one; pairs of lots grow with their square."""


def _design(formula: str, frame: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame, pd.DataFrame]:
    """Return the response, the fixed-effects matrix, and the rows of the frame that they use."""
    from reedlab.mixed.design.expressions import CONTEXT, names_of, read

    parsed = read(formula)
    columns = sorted(names_of([*parsed.lhs, *parsed.rhs]).columns)
    for column in columns:
        if column not in frame:
            raise FormulaError(f"{formula!r} names {column!r}, which is not a column of the data.")
    response, fixed = parsed.get_model_matrix(frame[columns], context=CONTEXT)
    return response.to_numpy(dtype=float)[:, 0], fixed.astype(float), frame.loc[fixed.index]


def gee(formula: str, frame: pd.DataFrame, group: str) -> pd.DataFrame:
    """Fit a logistic GEE, exchangeable within groups: the population-averaged view.

    The formula has fixed effects only; rows with missing values are left out. The standard errors
    are Mancl and DeRouen's, made for few groups. Indexed by parameter: ``averaged`` (log odds),
    ``se``, ``low``, ``high`` (95 %).
    """
    # Not by statsmodels.api, which loads all of statsmodels.
    from statsmodels.genmod.cov_struct import Exchangeable
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_estimating_equations import GEE

    response, fixed, used = _design(formula, frame)
    model = GEE(
        response,
        fixed.to_numpy(),
        groups=used[group].astype(str).to_numpy(),
        family=Binomial(),
        cov_struct=Exchangeable(),
    )
    found = model.fit(cov_type="bias_reduced")
    low, high = np.asarray(found.conf_int()).T
    columns = {"averaged": found.params, "se": found.bse, "low": low, "high": high}
    return pd.DataFrame(columns, index=pd.Index(fixed.columns, name="parameter"))


def beside_gee(fit: Fit, group: str) -> pd.DataFrame:
    """Put a binomial mixed model beside the GEE of its fixed part, on the same rows.

    Parameters
    ----------
    fit : Fit
        A binomial mixed model of 0/1 outcomes, with random intercepts only.
    group : str
        The column within which reeds are alike.

    Returns
    -------
    pandas.DataFrame
        Indexed by parameter: ``within_lots`` (the mixed model's log odds), ``expected`` (what they
        are on average over its groups), ``gee`` and ``gee_se``.

    Raises
    ------
    ModelError
        For another family, counts (``trials=``), random slopes, an offset or weights.
    """
    design = fit.fitted.design
    _of_family(fit, "binomial", "The GEE beside a model")
    if design.trials is not None:
        raise ModelError(
            "The GEE beside a model is of single outcomes, 0 or 1: fit one row a reed, without "
            "trials=."
        )
    if any(term.names != ("Intercept",) for term in design.terms):
        raise ModelError(
            "What coefficients are on average over the groups is known for random intercepts only: "
            "leave the random slopes out."
        )
    found = gee(_fixed_part(fit), fit.data, group)
    columns = {
        "within_lots": fit.fe_params,
        "expected": averaged(fit.fe_params, fit.vcomp["variance"].sum()),
        "gee": found["averaged"],
        "gee_se": found["se"],
    }
    return pd.DataFrame(columns).loc[fit.fe_params.index].rename_axis("parameter")


def _of_family(fit: Fit, family: str, what: str) -> None:
    if fit.family != family:
        raise ModelError(f"{what} is for the {family} family, and this model is {fit.family}.")


def _fixed_part(fit: Fit) -> str:
    """Return the formula without its random terms."""
    formula = fit.fitted.recipe.formula
    if formula.offset or fit.fitted.design.weights is not None:
        raise ModelError(
            "Other libraries are asked for models without offset and weights: leave both out."
        )
    return f"{formula.response} ~ {formula.fixed}"


def averaged(coefficients: pd.Series, variance: float) -> pd.Series:
    """Turn a logit mixed model's coefficients into what they are on average over the groups.

    A coefficient that holds within a lot is larger than the one that holds across all lots taken
    together, by the factor ``sqrt(1 + c² variance)`` with ``c² = (16 √3 / 15 π)²`` and the variance
    of the random intercepts, all groupings together.

    Examples
    --------
    >>> averaged(pd.Series([1.0]), 1.0).round(3).tolist()
    [0.862]
    """
    return coefficients / np.sqrt(1 + LOGIT_ATTENUATION * variance)


def single_grouping(formula: str, frame: pd.DataFrame, group: str) -> tuple[pd.Series, list[str]]:
    """Fit a Gaussian mixed model with one random intercept by REML with statsmodels.

    The formula has fixed effects only; rows with missing values are left out. Parameters are named
    as `reedlab.fit` names them: the coefficients, ``sd <group>``, ``sd Residual``, and last
    ``log-likelihood`` (restricted); missing where statsmodels gives no fit, as where lots do not
    differ at all. What statsmodels warned of comes along, each once.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM

    response, fixed, used = _design(formula, frame)
    model = MixedLM(response, fixed.to_numpy(), groups=used[group].astype(str).to_numpy())
    names = [*fixed.columns, f"sd {group}", "sd Residual", "log-likelihood"]
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        try:
            found = model.fit(reml=True)
        except np.linalg.LinAlgError as error:
            return pd.Series(np.nan, index=names, name="statsmodels"), [str(error)]
    sds = np.sqrt([np.asarray(found.cov_re)[0, 0], found.scale])
    notes = list(dict.fromkeys(str(warning.message) for warning in raised))
    values = [*found.fe_params, *sds, found.llf]
    return pd.Series(values, index=names, name="statsmodels"), notes


def beside_mixedlm(fit: Fit, group: str) -> pd.DataFrame:
    """Fit a Gaussian model's fixed part with one grouping, with reedlab and with statsmodels.

    Parameters
    ----------
    fit : Fit
        A Gaussian mixed model; its fixed part and its rows are used.
    group : str
        The one grouping.

    Returns
    -------
    pandas.DataFrame
        Indexed by parameter: ``reedlab`` and ``statsmodels``; see `single_grouping`.

    Raises
    ------
    ModelError
        For another family, an offset or weights.
    """
    from reedlab.mixed.fitting import fit as fit_model

    _of_family(fit, "gaussian", "The MixedLM beside a model")
    fixed = _fixed_part(fit)
    ours = fit_model(f"{fixed} + (1 | {group})", fit.data)
    theirs, _ = single_grouping(fixed, fit.data, group)
    sds = {f"sd {row.group}": row.sd for row in ours.vcomp.itertuples()}
    found = pd.Series(ours.fe_params.to_dict() | sds | {"log-likelihood": ours.llf})
    return (
        pd.DataFrame({"reedlab": found, "statsmodels": theirs})
        .loc[found.index]
        .rename_axis("parameter")
    )


def cane_pairs(cane: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Correlate measured properties, over all pieces and within lots.

    Pieces of one lot are alike, so the correlation over all pieces mixes what goes together within
    a lot with what differs between lots; the one within lots (pingouin's repeated-measures
    correlation, after Bland and Altman 1995) is the one to sort pieces by.

    Parameters
    ----------
    cane : pandas.DataFrame
        ``bench.cane``.
    columns : sequence of str
        The properties.

    Returns
    -------
    pandas.DataFrame
        ``first``, ``second``, ``pieces``, ``overall``, ``within_lots``, ``low``, ``high`` (95 %
        interval of the one within lots) and ``p_value`` (Holm's, over the pairs); the last four
        missing where fewer than three lots have three pieces with both.
    """
    import pingouin as pg

    rows = []
    for first, second in combinations(columns, 2):
        known = cane.dropna(subset=[first, second])
        known = known.assign(lot=known["lot"].astype(str))[["lot", first, second]]
        known = known[known.groupby("lot")["lot"].transform("size") > 2]
        overall = known[first].corr(known[second])
        within = (np.nan,) * 4
        if known["lot"].nunique() > 2:
            found = pg.rm_corr(known, x=first, y=second, subject="lot").iloc[0]
            within = (found["r"], *found["CI95"], found["pval"])
        rows.append((first, second, len(known), overall, *within))
    names = ["first", "second", "pieces", "overall", "within_lots", "low", "high", "p_value"]
    frame = pd.DataFrame(rows, columns=names)
    if len(frame):
        frame["p_value"] = pg.multicomp(frame["p_value"].to_numpy(), method="holm")[1]
    return frame


def most_measured(cane: pd.DataFrame, column: str) -> pd.DataFrame:
    """Keep the pieces with one property, of the `MOST_LOTS` lots that have most of them."""
    known = cane.dropna(subset=[column])
    known = known.assign(lot=known["lot"].astype(str))
    return known[known["lot"].isin(known["lot"].value_counts().index[:MOST_LOTS])]


def lot_contrasts(cane: pd.DataFrame, column: str) -> pd.DataFrame:
    """Compare lots pairwise in one measured property, the largest differences first.

    Welch's tests by pingouin, corrected by Holm over all pairs; Hedges' g with its 95 % interval.

    Parameters
    ----------
    cane : pandas.DataFrame
        ``bench.cane``; lots with fewer than three pieces are left out, see also `most_measured`.
    column : str
        The property.

    Returns
    -------
    pandas.DataFrame
        ``first``, ``second``, ``difference`` (of the means), ``hedges``, ``low``, ``high``,
        ``p_value``; no row where fewer than two lots have three pieces.
    """
    import pingouin as pg

    known = most_measured(cane, column)
    sizes = known.groupby("lot").size()
    known = known[known["lot"].isin(sizes[sizes > 2].index)]
    if known["lot"].nunique() < 2:
        names = ["first", "second", "difference", "hedges", "low", "high", "p_value"]
        return pd.DataFrame(columns=names)
    means = known.groupby("lot")[column].mean()
    tests = pg.pairwise_tests(
        known, dv=column, between="lot", correction=True, padjust="holm", effsize="hedges"
    )
    p_column = "p_corr" if "p_corr" in tests else "p_unc"  # two lots make one test
    ends = [
        pg.compute_esci(stat=test["hedges"], nx=sizes[test["A"]], ny=sizes[test["B"]])
        for _, test in tests.iterrows()
    ]
    frame = pd.DataFrame(
        {
            "first": tests["A"],
            "second": tests["B"],
            "difference": means[tests["A"]].to_numpy() - means[tests["B"]].to_numpy(),
            "hedges": tests["hedges"],
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
            "p_value": tests[p_column],
        }
    )
    return frame.sort_values("hedges", key=abs, ascending=False, kind="stable", ignore_index=True)
