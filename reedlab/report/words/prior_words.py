"""How much the priors say, in words."""

from __future__ import annotations

import pandas as pd

from reedlab.decide.evidence import listed
from reedlab.report.words.numbers import span

MOVED = 0.5
"""Shift, in posterior standard deviations, above which a parameter changes with the priors."""


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
        the largest shift in posterior standard deviations; verdict, "changes" or "does not change".
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
    """Say in a sentence what depends on the priors.

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
    With prior scales of half or twice the size, how much lots differ in success (standard
    deviation 0.30 to 0.80) changes and nothing else does; only more lots can settle it.
    """
    table = verdicts(sensitivity)
    moved = table.loc[table["most_shift"] > MOVED, "parameter"].tolist()
    start = "With prior scales of half or twice the size, "
    if not moved:
        return f"{start}nothing that these records say of {what} changes."
    changed, wanted = [], []
    for name in moved:
        means = sensitivity.loc[sensitivity["parameter"] == name, "mean"]
        ends = span(means.min(), means.max(), 2)
        if name.startswith("sd "):
            changed.append(f"how much {levels(name)} differ in {what} (standard deviation {ends})")
            wanted.append(levels(name))
        else:
            changed.append(f"{name} ({ends})")
    verb = "changes" if len(moved) == 1 else "change"
    more = f"; only more {listed(wanted)} can settle it" if wanted else ""
    rest = " and nothing else does" if len(moved) < len(table) else ""
    return f"{start}{listed(changed)} {verb}{rest}{more}."


def levels(sd: str) -> str:
    """Say in words whose standard deviation this is.

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
