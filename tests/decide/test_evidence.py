import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide import evidence
from reedlab.records.bench import Bench


def test_many_reeds_are_asked_in_whole_lots(monkeypatch):
    monkeypatch.setattr(evidence, "MOST_REEDS", 50)
    reeds = pd.DataFrame({"lot": np.repeat(list("abcdefgh"), 20), "reed": np.arange(160)})
    some = evidence.some_lots(reeds, 1)
    assert some["lot"].value_counts().tolist() == [20, 20]
    other = evidence.some_lots(reeds, 2)
    assert set(other["lot"]) != set(some["lot"])
    assert len(evidence.some_lots(reeds[:50])) == 50
    assert evidence.some_lots(reeds, 1, most=5)["lot"].nunique() == 2  # however large lots are
    assert evidence.some_lots(reeds, 1, most=120)["lot"].value_counts().tolist() == [20] * 6


def test_minutes_of_tying_count_in_what_a_reed_costs():
    plain = rl.demo_bench()
    tables = {name: table.copy() for name, table in plain.tables.items()}
    tie = pd.DataFrame(
        {"date": pd.to_datetime(["2024-06-18"] * 2), "maker": "RS", "stage": "tie",
         "reeds": ["R001; R002; R003", "R004"], "minutes": [24.0, 12.0]}
    )  # fmt: skip
    tables["sittings"] = pd.concat([tables["sittings"], tie], ignore_index=True)
    timed = Bench.from_tables(tables, plain.settings, today=plain.today)
    before, after = evidence.gather(plain), evidence.gather(timed)
    more = (after.arms["minutes_before"] - before.arms["minutes_before"]).tolist()
    assert more == pytest.approx([9.0] * len(before.arms))  # (8 + 8 + 8 + 12) / 4
    assert "Tying counts with 9 minutes a reed, the mean of 4 reeds." in after.notes
    tables["tally"] = pd.concat(
        [tables["tally"], pd.DataFrame([{"lot": tables["lots"]["lot"].iloc[0], "stage": "tie",
         "pieces_in": 7.0, "pieces_out": 6.0, "minutes": 44.0}])],
        ignore_index=True,
    )  # fmt: skip
    both = evidence.tying_minutes(Bench.from_tables(tables, plain.settings, today=plain.today))
    assert both == (pytest.approx(8.0), 10)  # (36 + 44) / (4 + 6)
    assert "No minutes of tying are noted, so tying costs nothing here." in before.notes
