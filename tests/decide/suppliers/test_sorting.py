"""Pieces passed over before tying, said with good reeds of those tied and of those taken up."""

import pandas as pd

from reedlab.decide.evidence import gather
from reedlab.decide.suppliers import sorting
from reedlab.records import Bench


def tallied(bench, lost):
    reeds = bench.reeds["lot"].astype(str).value_counts()
    tally = pd.DataFrame(
        [(lot, "2025-03-01", "sort", reeds[lot] + n, reeds[lot]) for lot, n in lost.items()],
        columns=["lot", "date", "stage", "pieces_in", "pieces_out"],
    )
    return Bench.from_tables({**bench.tables, "tally": tally}, check=False)


def test_both_shares_are_said_where_one_supplier_is_sorted_harder(small_bench):
    plain = small_bench([("teal", "t", 3, 15, 5), ("plum", "p", 3, 12, 8)])
    bench = tallied(plain, {"t": 20, "p": 0})
    (note,) = sorting.said(bench, gather(bench), ["teal", "plum"])
    # Of 40 pieces of teal 20 were tied, 15 of them good; of plum's 20 all, 12 good.
    assert "lost 50 of 100 pieces of teal and 0 of plum." in note
    assert "Of 100 tied, 75 and 60 turned out good; of 100 taken up, 38 and 60." in note
    assert sorting.said(bench, gather(bench), ["teal"]) == ()


def test_nothing_is_said_where_both_are_sorted_alike_or_it_is_not_known(small_bench):
    plain = small_bench([("teal", "t", 3, 15, 5), ("plum", "p", 3, 12, 8)])
    alike = tallied(plain, {"t": 5, "p": 5})
    assert sorting.said(alike, gather(alike), ["teal", "plum"]) == ()
    assert sorting.said(plain, gather(plain), ["teal", "plum"]) == ()
