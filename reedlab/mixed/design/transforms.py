"""Slopes within groups and slopes between them: two transforms for formulas.

A property of cane can distinguish good pieces inside a lot, or good lots. One slope
over all rows mixes the two; ``within(x, lot) + between(x, lot)`` gives each its own (Mundlak 1978,
Econometrica 46, 69-85; Raudenbush and Bryk 2002, chapter 5).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from formulaic.utils.stateful_transforms import stateful_transform

from reedlab.errors import DataError


def _group_means(x: Any, group: Any, state: dict[str, Any]) -> np.ndarray:
    """Give each row its group's mean of ``x``: as fitted, or over these rows if it is new."""
    values = np.asarray(x)
    if not pd.api.types.is_numeric_dtype(values.dtype):
        raise DataError("within() and between() need numbers first and a grouping second.")
    codes, labels = pd.factorize(np.asarray(group, dtype=object))
    known = (codes >= 0) & ~np.isnan(values.astype(float))
    sums = np.bincount(codes[known], values[known], len(labels))
    with np.errstate(invalid="ignore"):
        here = dict(zip(labels, sums / np.bincount(codes[known], minlength=len(labels))))
    fitted = state.setdefault("means", here)
    means = [fitted.get(label, mean) for label, mean in here.items()]
    return np.array([*means, np.nan])[codes]  # -1, of a row without a group, is the last


@stateful_transform
def between(x: Any, group: Any, _state: Any = None) -> pd.Series:
    """Return the mean of ``x`` in each row's group: what sets one group apart from another.

    On new data a group known from the fit keeps the mean it had there; a new group has the mean of
    its rows in the new data.

    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> made, _ = simulate_reeds(seed=1)
    >>> slopes = "within(density_g_cm3, lot) + between(density_g_cm3, lot)"
    >>> rl.fit(f"success ~ {slopes} + (1 | lot)", made, "binomial").fe_params.index.tolist()[1:]
    ['within(density_g_cm3, lot)', 'between(density_g_cm3, lot)']
    """
    return pd.Series(_group_means(x, group, _state), index=getattr(x, "index", None))


@stateful_transform
def within(x: Any, group: Any, _state: Any = None) -> pd.Series:
    """Return ``x`` less its group's mean: what sets one piece apart inside its group.

    ``x`` is the sum of this and :func:`between`.
    """
    means = _group_means(x, group, _state)
    return pd.Series(np.asarray(x, dtype=float) - means, index=getattr(x, "index", None))
