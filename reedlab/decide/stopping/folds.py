"""Rules judged on held-out lots: cross-validation by lot.

Everything that is learnt from records (scaling, the value imputed for a missing one, slopes,
signs and their edges) is learnt inside the fold, without the held-out lots. What remains is the
optimism of choosing the best among several rules; a bootstrap of lots corrects it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.decide.draws import interval
from reedlab.decide.stopping.break_even import Stakes
from reedlab.decide.stopping.rules import Signs, fit_rules

FOLDS, RESAMPLES = 10, 4000
"""Folds of lots at most, and draws of lots that a saving is judged on."""
LEARNT = 1.15
"""Factor on an interval of a saving, for what the spread of held-out lots leaves out.

The rules were learnt from the very lots that they are judged on, fold by fold, chosen among, and
corrected by an optimism that is an estimate too, so the savings of lots are more correlated
than their spread shows (Nadeau and Bengio 2003, Machine Learning 52:239). How much is measured: on
600 simulated benches of 9 to 20 lots with one measure a 90 % interval without the factor held 85
times in 100, with it 91 times; on 600 others of 6 to 20 lots with one measure or three, 92 times
(`tests/benchmarks/decisions_rules.py`).
"""


def lot_folds(lots: pd.Series, folds: int, seed: int = 1) -> np.ndarray:
    """Assign whole lots to at most so many folds of about the same number of rows.

    Examples
    --------
    >>> import pandas as pd
    >>> lot_folds(pd.Series(["a", "a", "b", "c", "c"]), folds=3).tolist()
    [0, 0, 2, 1, 1]
    """
    rng = np.random.default_rng(seed)
    sizes = lots.astype(str).value_counts().sort_index()
    shuffled = sizes.iloc[rng.permutation(len(sizes))].sort_values(ascending=False, kind="stable")
    filled = np.zeros(min(folds, len(sizes)))
    fold = {}
    for lot, size in shuffled.items():
        fold[lot] = int(filled.argmin())
        filled[fold[lot]] += size
    return lots.astype(str).map(fold).to_numpy()


def held_out(
    data: pd.DataFrame,
    rules: Mapping[str, Signs],
    stakes_of: Callable[[pd.DataFrame], Stakes],
    seed: int = 1,
) -> pd.DataFrame:
    """Let each rule decide on held-out lots.

    `stakes_of` works out the stakes from rows: inside a fold from the training rows, for the final
    count from all. One row a rule and blank comes back: ``rule``, ``lot``, ``good``, ``keep``,
    ``saving``, with the index of `data`.
    """
    fold = lot_folds(data["lot"], FOLDS, seed)
    final = stakes_of(data)
    parts = []
    for held in np.unique(fold):
        train, test = data[fold != held], data[fold == held]
        stakes = stakes_of(train)
        for name, fitted in fit_rules(rules, train, stakes).items():
            keep = fitted.keep(test)
            good = test["good"].to_numpy()
            parts.append(
                pd.DataFrame(
                    {
                        "rule": name,
                        "lot": test["lot"].astype(str),
                        "good": good,
                        "keep": keep,
                        "saving": final.saving(keep, good, fitted.minutes),
                    }
                )
            )
    return pd.concat(parts)


@dataclass(frozen=True)
class HeldOutSaving:
    """What rules saved on held-out lots, against going on with every blank."""

    # one row a rule, the best first: ``saving`` per blank, ``low``, ``high`` (lots resampled),
    # ``passed_over`` (share of blanks), ``good_passed_over`` (share of the good ones). None of it
    # is corrected for the choice of the best.
    table: pd.DataFrame
    best: str  # the rule with the greatest saving
    optimism: float  # by how much the best rule's saving flatters it because it was chosen
    resampled: np.ndarray  # the best rule's saving after that correction, lots resampled


def judge(decided: pd.DataFrame, *, level: float = 0.9, seed: int = 1) -> HeldOutSaving:
    """Compare rules by what they saved in `held_out`, resampling whole lots.

    The best rule is chosen again on each draw of lots and judged on the lots that were not drawn;
    by how much the best rule does better on all lots than those choices did there is the optimism
    of having chosen it (Tsamardinos, Greasidou and Borboudakis 2018, Machine Learning 107:1895).
    Few lots widen the interval by the t distribution's factor, and `LEARNT` by what the spread of
    lots leaves out.
    """
    from scipy.special import ndtri, stdtrit

    sums = decided.pivot_table(index="lot", columns="rule", values="saving", aggfunc="sum")
    size = (decided.groupby("lot").size() / sums.shape[1]).reindex(sums.index).to_numpy()
    worth, lots = sums.to_numpy(), len(sums)
    mean = worth.sum(axis=0) / size.sum()

    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(lots, np.full(lots, 1 / lots), size=RESAMPLES)
    drawn = drawn[(drawn == 0).any(axis=1)]
    inside = drawn @ worth / (drawn @ size)[:, None]
    left = (drawn == 0).astype(float)
    chosen = inside.argmax(axis=1)
    outside = (left @ worth / (left @ size)[:, None])[np.arange(len(drawn)), chosen]
    best = int(mean.argmax())
    optimism = max(float(mean[best] - outside.mean()), 0.0)

    end = (1 + level) / 2
    few = stdtrit(lots - 1, end) / ndtri(end) * np.sqrt(lots / (lots - 1))
    spread = mean + LEARNT * few * (inside - mean)
    low, high = interval(spread, level)
    by_rule = decided.groupby("rule")["keep"].mean()
    of_good = decided[decided["good"] == 1].groupby("rule")["keep"].mean()
    table = pd.DataFrame(
        {
            "saving": mean,
            "low": low,
            "high": high,
            "passed_over": 1 - by_rule.reindex(sums.columns),
            "good_passed_over": 1 - of_good.reindex(sums.columns),
        },
        index=sums.columns,
    ).sort_values("saving", ascending=False, kind="stable")
    return HeldOutSaving(table, str(sums.columns[best]), optimism, spread[:, best] - optimism)
