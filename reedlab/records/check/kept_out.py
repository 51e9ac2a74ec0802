"""Which findings keep reeds out of the answers: those come first."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reedlab.records.tables import TABLES
from reedlab.records.tidy.frames import lots_of

_OF_A_REED = ("reed", "lot", "piece", "supplier", "tied_on", "outcome")
"""Columns of a row of reeds without which it is not used."""


def gravest_first(findings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Order findings by how many reeds they keep out; those of the settings stay first.

    Tables, and within each the columns, that keep most out come first; where as many are kept out
    the order of tables, severities and rows holds.
    """
    if findings.empty:
        return findings
    keys = pd.DataFrame({"table": findings["table"], "of": _kept_out(findings, tables)})
    own = ~findings["table"].isin(list(TABLES))
    groups = [findings[name] for name in ("table", "column", "severity")]
    keys["group"] = keys["of"].groupby(groups, dropna=False).transform("sum")
    keys["most"] = keys["group"].groupby(keys["table"]).transform("max").mask(own, np.inf)
    keys["order"] = pd.factorize(keys["table"])[0]
    keys = keys.sort_values(["most", "order", "group"], ascending=[False, True, False])
    return findings.loc[keys.index].reset_index(drop=True)


def _kept_out(findings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> np.ndarray:
    """Count for each finding the reeds that it keeps out; a row counts once a column."""
    reeds, lots = tables["reeds"], tables["lots"]
    of_lot = lots_of(reeds, tables["pieces"]).value_counts()
    label = lots["lot"].astype(object).to_dict()
    errors = findings["severity"].eq("error")
    once = ~findings.duplicated(["table", "row", "column", "severity"])
    out = np.zeros(len(findings))
    cells = [findings[name].tolist() for name in ("table", "row", "column")]
    for at in np.flatnonzero((errors & once).to_numpy()):
        table, row, column = (values[at] for values in cells)
        whole = pd.isna(row)
        if whole and table in ("reeds", "lots") and column in ("", *TABLES[table].needed):
            out[at] = max(len(reeds), 1)
        elif table == "reeds" and column in _OF_A_REED and not whole:
            out[at] = 1
        elif table == "lots" and column == "supplier" and not whole:
            out[at] = of_lot.get(label.get(row), 0)
    return out
