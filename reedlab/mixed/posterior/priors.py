"""Priors: what is believed of a model's parameters before the records speak.

Three to eight suppliers say little about how much suppliers differ, so what is believed beforehand
matters, is stated here, can be replaced, and is varied by every report (half and twice the scales).

========================  ==============================================================
parameter                 default prior
========================  ==============================================================
sd of groups (logit)      half-normal, scale 0.75: an sd of 1.5 is already a strange bench
sd of groups (Gaussian)   half-normal, scale = the response's own sd; `Priors.log_minutes`: 0.25
sd of a slope             the group's scale divided by the sd of the slope's column; beside
                          correlated slopes an intercept's sd is that at the columns' means
correlation of slopes     LKJ, eta 2: mild doubt about correlations near one
a coefficient             normal(0, 2.5 / sd of its column); a 0/1 column counts as it stands;
                          `Priors.by_column` gives single columns a scale of their own
intercept                 normal(0, 2.5) for the linear predictor where every column stands
                          at its mean; a Gaussian response is centred at its own mean first
sd of the residual        half-normal, scale = the response's own sd; `Priors.log_minutes`: 1
========================  ==============================================================

A Gaussian response has priors in units of its own sd, whatever its name and unit are: y and 10 y
have posteriors that differ by a factor of ten. What a logarithm of minutes is known to vary by is
said by ``Priors.log_minutes()``.

Half-Student-t priors are not offered: the cost of a saleable reed holds 1/p, whose posterior mean
then depends on where the integration stops. For the same reason that mean exists only while the
scales on the logit scale are under 1 (`diagnostics.py`): past that, report medians.

References
----------
Gelman, A. (2006). Prior distributions for variance parameters in hierarchical models. Bayesian
Analysis 1, 515-534. Gelman, A., Jakulin, A., Pittau, M. G. and Su, Y.-S. (2008). A weakly
informative default prior distribution for logistic and other regression models. Annals of Applied
Statistics 2, 1360-1383. Lewandowski, D., Kurowicka, D. and Joe, H. (2009). Generating random
correlation matrices. Journal of Multivariate Analysis 100, 1989-2001.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from reedlab.errors import ModelError


@dataclass(frozen=True)
class Priors:
    """The prior of every parameter of one mixed model.

    Attributes
    ----------
    sd_scale
        Scale of the half-normal on the sd of a group's effects, on the linear predictor's scale.
    by_group
        Scales for single groups, such as ``{"maker": 0.3}``, in place of ``sd_scale``.
    coefficient_sd
        Sd of the normal on the coefficient of a standardised column.
    by_column
        Sds of the normal on the coefficients of single columns, per unit of the column as it
        stands, such as ``{"years": 1.0}``, in place of ``coefficient_sd``.
    intercept_mean, intercept_sd
        Normal on the linear predictor where every column stands at its mean. Without a mean it is
        that of a Gaussian response, and 0 for the other families.
    residual_scale
        Scale of the half-normal on the residual standard deviation (Gaussian responses only).
    correlation_eta
        Shape of the LKJ prior on correlations between a group's intercept and slopes.
    log_response
        Whether a Gaussian response is a logarithm, so that means of its exponential are wanted:
        `Posterior.diagnostics` then looks at whether they exist.

    Examples
    --------
    >>> Priors().scaled(0.5).sd_scale
    0.375
    """

    sd_scale: float = 0.75
    by_group: Mapping[str, float] = field(default_factory=dict)
    coefficient_sd: float = 2.5
    by_column: Mapping[str, float] = field(default_factory=dict)
    intercept_mean: float | None = None
    intercept_sd: float = 2.5
    residual_scale: float = 1.0
    correlation_eta: float = 2.0
    log_response: bool = False

    def __post_init__(self) -> None:
        singly = {"by_group": self.by_group, "by_column": self.by_column}
        scales = {f"{of}[{name!r}]": sd for of, sds in singly.items() for name, sd in sds.items()}
        others = (*singly, "intercept_mean", "log_response")
        scales |= {name: value for name, value in vars(self).items() if name not in others}
        for name, value in scales.items():
            if not (np.isfinite(value) and value > 0):
                raise ModelError(
                    f"the prior's {name} is {value}: give a finite number greater than zero."
                )

    @classmethod
    def default(cls, family: str, y: np.ndarray) -> Priors:
        """Return the default priors of a family, in the response's own unit.

        Parameters
        ----------
        family
            "binomial", "ordinal" or "gaussian".
        y
            The response's values, for the unit of a Gaussian model.

        Raises
        ------
        ModelError
            When a Gaussian response is the same in every row.

        Examples
        --------
        >>> [Priors.default("gaussian", y).sd_scale for y in (np.arange(3.0), 10 * np.arange(3.0))]
        [1.0, 10.0]
        """
        if family != "gaussian":
            return cls()
        refuse_one_value(y)
        unit = float(np.std(y, ddof=1))
        return cls(
            sd_scale=unit,
            coefficient_sd=2.5 * unit,
            intercept_sd=2.5 * unit,
            residual_scale=unit,
        )

    @classmethod
    def log_minutes(cls) -> Priors:
        """Return priors for the logarithm of minutes at the bench.

        Suppliers, lots or makers of typical difference stand a quarter apart, which is 28 % in
        minutes.

        Examples
        --------
        >>> Priors.log_minutes().sd_scale
        0.25
        """
        return cls(sd_scale=0.25, log_response=True)

    def centred(self, family: str, y: np.ndarray) -> Priors:
        """Return the priors with a mean of the intercept: a Gaussian response's own, or 0."""
        if self.intercept_mean is not None:
            return self
        return replace(self, intercept_mean=float(np.mean(y)) if family == "gaussian" else 0.0)

    def scaled(self, factor: float) -> Priors:
        """Return priors with the scale of every group multiplied by `factor`."""
        return replace(
            self,
            sd_scale=self.sd_scale * factor,
            by_group={g: s * factor for g, s in self.by_group.items()},
        )

    def group_scale(self, group: str) -> float:
        """Return the half-normal's scale for the sd of one group's effects.

        Of (1 | a/b) the lots' scale may be given as that of "b" or of "a:b".
        """
        short = self.by_group.get(group.split(":")[-1], self.sd_scale)
        return float(self.by_group.get(group, short))


def refuse_one_value(y: np.ndarray) -> None:
    """Raise a ModelError where a Gaussian response is the same in every row."""
    if np.ptp(y) == 0.0:
        raise ModelError(
            f"the response is {y[0]:g} in each of the {len(y)} rows, so that no residual standard "
            "deviation can be estimated: give rows whose response varies."
        )


def column_scale(x: np.ndarray) -> float:
    """Return one unit of a design column: 1 if constant, its range if 0/1, else its sd.

    Examples
    --------
    >>> column_scale(np.array([0.0, 1.0, 1.0])), column_scale(np.array([2.0, 2.0]))
    (1.0, 1.0)
    """
    values = np.unique(x)
    if len(values) == 1:
        return 1.0
    if len(values) == 2:
        return float(values[1] - values[0])
    return float(np.std(x, ddof=1))


def coefficient_prior(
    X: np.ndarray, names: tuple[str, ...], priors: Priors
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean (p,) and precision (p, p) of the normal prior on a design's coefficients.

    The prior is independent on the intercept at the columns' means and on the coefficients of
    standardised columns; in the coefficients as fitted it is correlated, hence the matrix. Raises
    ModelError when `Priors.by_column` names a column that the design does not have.
    """
    p = X.shape[1]
    if unknown := [name for name in priors.by_column if name not in names]:
        raise ModelError(
            f"the prior's by_column names {unknown[0]!r}: name a column of the model, which are "
            f"{', '.join(names)}."
        )
    sds = np.array(
        [
            priors.by_column.get(name, priors.coefficient_sd / column_scale(X[:, j]))
            for j, name in enumerate(names)
        ]
    )
    mean = np.zeros(p)
    centred = np.eye(p)
    if "Intercept" in names:
        i = names.index("Intercept")
        sds[i] = priors.intercept_sd
        mean[i] = priors.intercept_mean or 0.0
        centred[i] = X.mean(axis=0)
    precision = centred.T @ np.diag(sds**-2.0) @ centred
    return np.linalg.solve(centred, mean), precision
