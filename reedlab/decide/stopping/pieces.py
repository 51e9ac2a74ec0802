"""What the records hold of pieces before they were tied, and what became of them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from reedlab.decide.stopping.rules import Measure

MEASURES = (
    Measure(
        "density_over_lot",
        "density less the mean of its lot",
        "g/cm³",
        0.005,
        1.0,
        more="a density {edge} or more above the mean of their lot",
        less="a density {edge} or more below the mean of their lot",
    ),
    Measure(
        "hardness_over_lot",
        "hardness less the mean of its lot",
        "",
        0.5,
        0.5,
        more="a hardness {edge} or more above the mean of their lot",
        less="a hardness {edge} or more below the mean of their lot",
    ),
    Measure(
        "asymmetry_mm",
        "difference between the sides",
        "mm",
        0.005,
        0.5,
        two_sided=False,
        more="sides that differ by {edge} or more",
    ),
    Measure(
        "bend",
        "bend (0 straight, 1 slight, 2 reject)",
        "",
        1.0,
        0.1,
        two_sided=False,
        more="a {edge} bend or worse",
        words=("straight", "slight", "reject"),
    ),
)
"""What may be known of a piece before it is tied; the minutes are common practice, no source."""
OF_CANE = {"density_over_lot": "density_g_cm3", "hardness_over_lot": "hardness"}
"""The property of the cane that a measure is of."""
_BENDS = {"straight": 0.0, "slight": 1.0, "reject": 2.0}


def measured_reeds(bench: Any) -> pd.DataFrame:
    """Return the reeds whose fate is settled and whose piece was measured.

    They have ``reed``, ``lot``, ``good`` (0 or 1), ``scrape_min`` and the columns of `MEASURES`.
    Retied cane is left out: its piece has been judged once.
    """
    reeds, cane = bench.reeds, bench.cane
    lot = reeds["lot"].astype(object)
    density = cane.groupby("lot", observed=True)["density_g_cm3"].mean()
    gauged = [cane["lot"].astype(object), cane["hardness_gauge"].astype(object).fillna("")]
    hardness = cane["hardness"].groupby(gauged).mean()
    gauge = pd.MultiIndex.from_arrays([lot, reeds["hardness_gauge"].astype(object).fillna("")])
    cases = pd.DataFrame(
        {
            "reed": reeds["reed"],
            "lot": lot,
            "good": reeds["success"],
            "scrape_min": reeds["scrape_min"],
            "density_over_lot": reeds["density_g_cm3"] - lot.map(density).astype(float),
            "hardness_over_lot": reeds["hardness"] - hardness.reindex(gauge).to_numpy(),
            "asymmetry_mm": reeds["gouge_asymmetry_mm"].abs(),
            "bend": reeds["straightness"].astype(object).map(_BENDS).astype(float),
        }
    )
    known = reeds["settled"] & reeds["success"].notna() & reeds["retie_of"].isna() & lot.notna()
    measured = cases[[m.column for m in MEASURES]].notna().any(axis=1)
    return cases[known & measured].reset_index(drop=True)


def sorted_before(bench: Any, measures: tuple[Measure, ...]) -> pd.DataFrame:
    """Compare the spread of all measured pieces with the tied ones', within lots.

    See `PassingOver.sorted_before`.
    """
    cane = bench.cane
    of_all = pd.DataFrame(
        {
            "density_over_lot": cane["density_g_cm3"],
            "hardness_over_lot": cane["hardness"],
            "asymmetry_mm": cane["gouge_asymmetry_mm"].abs(),
            "bend": cane["straightness"].astype(object).map(_BENDS),
        }
    )[[m.column for m in measures]].astype(float)
    within = of_all - of_all.groupby(cane["lot"].astype(object)).transform("mean")
    tied = within[cane["reeds"] > 0]
    table = pd.DataFrame(
        {
            "measure": [m.says for m in measures],
            "pieces": within.count(),
            "tied": tied.count(),
            "sd_measured": within.std(),
            "sd_tied": tied.std(),
        }
    ).reset_index(drop=True)
    return table.assign(ratio=table["sd_tied"] / table["sd_measured"])
