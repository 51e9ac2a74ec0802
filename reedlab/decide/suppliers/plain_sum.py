"""What was spent so far over the good reeds that came of it, supplier by supplier, without a model.

Over simulated benches the model's pick is no cheaper than that of this sum; what the model adds is
how sure one can be, and what to record.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.decide.costs import Tied, cost_per_saleable
from reedlab.decide.evidence import Evidence

PLAIN = ("supplier", "reeds", "good", "per_good")


def plain_sum(evidence: Evidence) -> pd.DataFrame:
    """Divide each supplier's money and minutes by its good reeds; pending reeds do not count.

    Columns: supplier, reeds, good, per_good (money a good reed, the minutes of reeds that were not
    timed taken as those of its other good or failed reeds, then of any supplier's; infinite without
    a good reed).
    """
    rows = []
    reeds = evidence.reeds.assign(supplier=evidence.reeds["supplier"].astype(str))
    usual = reeds.groupby("success")["scrape_min"].mean()
    for arm in evidence.arms.fillna({"cane": 0.0, "minutes_before": 0.0}).itertuples():
        own = reeds[reeds["supplier"] == arm.supplier]
        means = own.groupby("success")["scrape_min"].mean().reindex([1.0, 0.0])
        good, failed = means.fillna(usual).fillna(0.0)
        tied = Tied(own["success"].mean(), good, failed, arm.cane, arm.minutes_before)
        with np.errstate(divide="ignore"):
            cost = float(cost_per_saleable(tied, evidence.rates))
        rows.append((arm.supplier, len(own), int(own["success"].sum()), cost))
    return pd.DataFrame(rows, columns=list(PLAIN))
