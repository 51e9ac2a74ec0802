"""Which cane to ask for: the slope between lots decides, and it has to be likely."""

import numpy as np
import pandas as pd
import pytest

from reedlab.decide.answer import LIKELY_FROM
from reedlab.decide.shared_models.cane_slopes import (
    BETWEEN,
    PROPERTIES,
    WITHIN,
    ask_for,
    lots_measured,
    slopes,
    terms,
)

DENSITY = PROPERTIES["density_g_cm3"]
WIDE, NARROW = 30.0, 4.0
"""Standard deviations of a slope in log odds a g/cm3: 1.5 and 0.2 for a step of 0.05."""


def found(between, sd_between, within=0.0, sd_within=NARROW):
    rng = np.random.default_rng(1)
    draws = {
        name: rng.normal(mean, sd, 4000)
        for name, mean, sd in zip(
            terms("density_g_cm3"), (between, within), (sd_between, sd_within)
        )
    }
    return slopes(pd.DataFrame(draws), "density_g_cm3", DENSITY.step, 0.55, 0.9)


@pytest.mark.parametrize(
    ("between", "sd", "asks"),
    [(-16.0, NARROW, "light"), (16.0, NARROW, "dense"), (-16.0, WIDE, ""), (0.0, NARROW, "")],
)
def test_cane_is_asked_for_where_lots_of_it_are_likely_better(between, sd, asks):
    slope = found(between, sd).loc[BETWEEN]
    says = ask_for(slope, DENSITY, 1.0)
    assert (slope["prob_matters"] >= LIKELY_FROM) == bool(says)
    assert says.startswith(f"Ask for {asks} cane (") if asks else says == ""


def test_what_pieces_of_one_lot_show_is_no_reason_to_ask():
    both = found(0.0, WIDE, within=-16.0)
    assert both.loc[WITHIN, "prob_matters"] > 0.9
    assert ask_for(both.loc[BETWEEN], DENSITY, 1.0) == ""


def test_the_edge_is_that_of_likely_and_sure():
    slope = pd.Series({"points": -0.2, "points_low": -0.3, "points_high": -0.1})
    says = {p: ask_for(pd.concat([slope, pd.Series({"prob_matters": p})]), DENSITY, 1.0)
            for p in (0.66, 0.67, 0.89, 0.91)}  # fmt: skip
    assert says[0.66] == ""
    assert says[0.67] == says[0.89] and says[0.67].startswith("Ask for light cane (likely)")
    assert says[0.91].startswith("Ask for light cane (sure)")
    assert "about 20 fewer in 100 turn out good (10 to 30)" in says[0.67]
    slope = pd.concat([slope.replace(-0.1, 0.02), pd.Series({"prob_matters": 0.7})])
    assert "(30 fewer to 2 more)" in ask_for(slope, DENSITY, 1.0)


def test_nothing_is_asked_for_while_many_lots_were_never_measured():
    slope = found(-16.0, NARROW).loc[BETWEEN]
    reeds = pd.DataFrame(
        {"lot": list("aabbcc"), "density_g_cm3": [0.5, np.nan, 0.6, *[np.nan] * 3]}
    )
    share = lots_measured(reeds, "density_g_cm3")
    assert share == pytest.approx(2 / 3) and ask_for(slope, DENSITY, share)
    assert ask_for(slope, DENSITY, share - 0.01) == ""


def test_no_seller_is_asked_for_her_own_gouge():
    slope = found(16.0, NARROW).loc[BETWEEN]
    assert ask_for(slope, PROPERTIES["gouge_centre_mm"], 1.0) == ""
