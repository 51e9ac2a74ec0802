"""How much the priors say, in words."""

from __future__ import annotations

import pandas as pd

from reedlab.decide.evidence import listed
from reedlab.report.words.numbers import span

MOVED = 0.5
"""Shift, in sds of the posterior, from which on something is said to change with the priors."""


def verdicts(sensitivity: pd.DataFrame) -> pd.DataFrame:
    """Say of each parameter whether it changes with the priors.

    Parameters
    ----------
    sensitivity : pandas.DataFrame
        ``Posterior.sensitivity()``.

    Returns
    -------
    pandas.DataFrame
        One row a parameter: parameter; for each scale the mean (``mean at half`` …); most_shift,
        the largest shift in sds of the posterior; verdict, "changes" or "does not change".
    """
    words = {0.5: "half", 1.0: "own", 2.0: "twice"}
    means = sensitivity.pivot(index="parameter", columns="scale", values="mean")
    table = means.rename(columns=lambda scale: f"mean at {words.get(scale, f'{scale:g} times')}")
    table["most_shift"] = sensitivity["shift"].abs().groupby(sensitivity["parameter"]).max()
    moves = table["most_shift"] > MOVED
    table["verdict"] = moves.map({True: "changes", False: "does not change"})
    order = sensitivity["parameter"].unique()
    return table.loc[order].rename_axis(index="parameter", columns=None).reset_index()


def sentence(sensitivity: pd.DataFrame, what: str) -> str:
    """Say in a sentence what hangs on the priors.

    Parameters
    ----------
    sensitivity : pandas.DataFrame
        ``Posterior.sensitivity()``.
    what : str
        What the model is of: "success", "minutes".

    Examples
    --------
    >>> import textwrap
    >>> table = pd.DataFrame(
    ...     {
    ...         "parameter": ["sd lot"] * 2 + ["x"] * 2,
    ...         "scale": [0.5, 2.0] * 2,
    ...         "mean": [0.3, 0.8, 1.0, 1.0],
    ...         "shift": [-0.8, 0.9, 0.0, 0.1],
    ...     }
    ... )
    >>> print(textwrap.fill(sentence(table, "success"), 92))
    Half or twice the spread believed beforehand changes how far lots are said to lie apart in
    success (sd 0.30 to 0.80), which only more lots would tell; it does not change anything
    else.
    """
    table = verdicts(sensitivity)
    moved = table.loc[table["most_shift"] > MOVED, "parameter"].tolist()
    start = "Half or twice the spread believed beforehand"
    if not moved:
        return f"{start} does not change anything that these records say of {what}."
    told, wanted = [], []
    for name in moved:
        means = sensitivity.loc[sensitivity["parameter"] == name, "mean"]
        means_span = span(means.min(), means.max(), 2)
        if name.startswith("sd "):
            told.append(f"how far {levels(name)} are said to lie apart in {what} (sd {means_span})")
            wanted.append(levels(name))
        else:
            told.append(f"{name} ({means_span})")
    more = f", which only more {listed(wanted)} would tell" if wanted else ""
    rest = "; it does not change anything else" if len(moved) < len(table) else ""
    return f"{start} changes {listed(told)}{more}{rest}."


def levels(sd: str) -> str:
    """Say in words whose spread an sd is.

    Examples
    --------
    >>> levels("sd supplier:lot"), levels("sd maker"), levels("sd Residual")
    ('lots of one supplier', 'makers', 'reeds of one lot')
    >>> levels("sd lot density_g_cm3")
    'slopes of density_g_cm3 of lots'
    """
    group, _, slope = sd.removeprefix("sd ").partition(" ")
    if group == "Residual":
        return "reeds of one lot"
    parent, _, own = group.rpartition(":")
    kind = f"{own}s of one {parent}" if parent else f"{own}s"
    return f"slopes of {slope} of {kind}" if slope else kind
