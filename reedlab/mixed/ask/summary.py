"""A fit's summary: text at a prompt, tables in a notebook."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from reedlab.mixed.ask.cautions import notes
from reedlab.mixed.engine.fitted import Fitted

_TITLES = {
    "gaussian": "Linear mixed model",
    "binomial": "Binomial mixed model, logit",
    "ordinal": "Cumulative logit mixed model",
}

_LEVEL = 0.95


@dataclass(frozen=True)
class Summary:
    """What a reader of a mixed model expects, as frames.

    Parameters
    ----------
    title : str
        The kind of model and how it was fitted.
    formula : str
    fixed : DataFrame
        Fixed effects (and an ordinal model's thresholds): estimate, se, low and high (95 % Wald),
        statistic; and p, by Wald's z, where the family is not Gaussian. A coefficient that
        separates the outcomes has an infinite estimate and nothing else.
    vcomp : DataFrame
        Variance components.
    groups : DataFrame
        Number of levels of each grouping.
    facts : dict of str to str
        Rows used and left out, log-likelihood, AIC, BIC.
    notes : tuple of str
        On convergence, singular terms, separation and few groups.
    """

    title: str
    formula: str
    fixed: pd.DataFrame
    vcomp: pd.DataFrame
    groups: pd.DataFrame
    facts: dict[str, str]
    notes: tuple[str, ...]

    def __str__(self) -> str:
        blocks = [f"{self.title}\n{self.formula}"]
        for heading, frame in self._tables():
            blocks.append(f"{heading}\n{frame.to_string()}")
        blocks.append("\n".join(f"{name}: {value}" for name, value in self.facts.items()))
        blocks.extend(f"Note: {note}" for note in self.notes)
        return "\n\n".join(blocks)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        parts = [
            f"<p><strong>{escape(self.title)}</strong><br><code>{escape(self.formula)}</code></p>"
        ]
        for heading, frame in self._tables():
            parts.append(f"<p>{escape(heading)}</p>{frame.to_html(border=0)}")
        facts = "; ".join(f"{escape(name)} {escape(value)}" for name, value in self.facts.items())
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return "".join([*parts, f"<p>{facts}</p>", f"<ul>{notes}</ul>" if notes else ""])

    def _tables(self) -> list[tuple[str, pd.DataFrame]]:
        shown = self.vcomp.set_index(["group", "name"])
        limits = f"low and high are {100 * _LEVEL:.0f} % Wald limits by z"
        if "t" in self.fixed:
            limits += "; t_tests() has limits and p by t"
        tables = [
            (f"Fixed effects ({limits})", self.fixed.apply(_column, se=self.fixed["se"])),
            ("Random effects", shown.apply(_component)),
            ("Groups", self.groups),
        ]
        return [(heading, frame) for heading, frame in tables if len(frame)]


def _column(values: pd.Series, se: pd.Series) -> pd.Series:
    if values.name == "p":
        written = values.map(lambda p: "<0.001" if p < 0.001 else f"{p:.3f}")
        return written.where(values.notna(), "")
    if values.name in ("t", "z"):
        return values.map(_digits)
    return values.combine(se, _digits)


def _component(values: pd.Series) -> pd.Series:
    return values.map(_digits) if values.name == "corr" else values.combine(values, _digits)


def _digits(value: float, size: float = 1.0) -> str:
    """Write a number with four decimals, or with three figures where `size` is finer than that.

    >>> _digits(0.12345), _digits(3e-6), _digits(3e-6, size=2e-6), _digits(12345.67)
    ('0.1235', '0', '3e-06', '12345.7')
    """
    if not np.isfinite(value):
        return "" if np.isnan(value) else str(value)
    if 0.0 < abs(size) < 5e-4:
        return f"{value:.3g}"
    return "0" if abs(value) < 5e-5 else f"{value:.4f}" if abs(value) < 1000 else f"{value:.1f}"


def summary(fitted: Fitted) -> Summary:
    """Everything one expects of a fit: it prints as text and shows as tables in a notebook.

    Returns
    -------
    Summary
    """
    design, title = fitted.design, _TITLES[fitted.family]
    how = "REML" if fitted.reml else "maximum likelihood"
    if fitted.family != "gaussian" and design.terms:
        how = "Laplace" if fitted.quadrature == 1 else f"quadrature with {fitted.quadrature} nodes"
    facts = {"rows used": str(design.n), "rows left out": str(design.n_dropped)}
    if design.n_dropped:
        facts["left out for"] = ", ".join(f"{c} ({n})" for c, n in design.dropped.items())
    if fitted.recipe is not None and fitted.recipe.weights:
        facts["weights"] = fitted.recipe.weights
    facts |= {"log-likelihood": f"{fitted.llf:.2f}"}
    facts |= {"AIC": f"{fitted.aic:.1f}", "BIC": f"{fitted.bic:.1f}"}
    return Summary(
        title=f"{title if design.terms else title.replace('mixed model', 'model')}, by {how}",
        formula=fitted.recipe.formula.text if fitted.recipe is not None else "",
        fixed=_fixed_table(fitted),
        vcomp=fitted.variance_components(),
        groups=pd.DataFrame(
            {"levels": [t.n_levels for t in design.terms]}, index=[t.group for t in design.terms]
        ),
        facts=facts,
        notes=notes(fitted),
    )


def _fixed_table(fitted: Fitted) -> pd.DataFrame:
    names = [*fitted.design.threshold_names, *fitted.design.fixed_names]
    estimate = np.r_[fitted.thresholds, fitted.beta]
    se = np.sqrt(np.r_[np.diag(fitted.cov_thresholds), np.diag(fitted.cov_beta)])
    if fitted.runaway is not None:
        away = np.r_[np.zeros(len(fitted.thresholds)), np.sign(fitted.runaway)]
        estimate[away != 0.0], se[away != 0.0] = np.inf * away[away != 0.0], np.nan
    half, ratio = ndtri(0.5 + _LEVEL / 2.0) * se, estimate / se
    table = {"estimate": estimate, "se": se, "low": estimate - half, "high": estimate + half}
    if fitted.family == "gaussian":
        table["t"] = ratio
    else:
        table |= {"z": ratio, "p": 2.0 * ndtr(-np.abs(ratio))}
    return pd.DataFrame(table, index=names)
