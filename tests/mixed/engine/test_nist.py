"""One-way balanced sets with certified analyses of variance.

Source: NIST Statistical Reference Datasets, ANOVA, files SiRstv and SmLs01 as SciPy ships them. In
a balanced one-way layout the REML estimates are the ANOVA estimators: the residual variance is the
mean square within, the component between is (MS between - MS within) / replicates, if positive.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

import reedlab as rl

FOLDER = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def read(name: str) -> tuple[pd.DataFrame, float, float]:
    lines = (FOLDER / f"{name}.dat").read_text(encoding="utf-8").splitlines()
    between, within = (
        next(float(line.split()[-k]) for line in lines if line.startswith(start))
        for start, k in (("Between", 2), ("Within", 1))
    )
    rows = [line.split() for line in lines[60:] if line.strip()]  # data start in line 61
    data = pd.DataFrame(rows, columns=["treatment", "y"])
    return data.assign(y=data["y"].astype(float)), between, within


@pytest.mark.parametrize("name", ["SiRstv", "SmLs01"])
def test_reml_gives_the_certified_anova_estimators(name: str) -> None:
    data, between, within = read(name)
    replicates = data.groupby("treatment").size().unique()
    assert len(replicates) == 1
    fit = rl.fit("y ~ 1 + (1 | treatment)", data)
    assert fit.vcomp["variance"].iloc[1] == pytest.approx(within, rel=1e-6)
    assert fit.vcomp["variance"].iloc[0] == pytest.approx(
        (between - within) / replicates[0], rel=1e-5
    )
    assert fit.bse_fe["Intercept"] == pytest.approx(np.sqrt(between / len(data)), rel=1e-6)
