"""Money and minutes over good reeds, worked by hand."""

import numpy as np
import pytest

from reedlab.decide.draws import amount
from reedlab.decide.evidence import gather
from reedlab.decide.suppliers.comparison import suppliers
from reedlab.decide.suppliers.plain_sum import plain_sum


def test_the_sum_is_what_was_spent_over_the_good_reeds(small_bench):
    rows = [("teal", "a", 3, 6, 4), ("plum", "b", 3, 5, 0), ("slate", "c", 3, 0, 4)]
    table = plain_sum(gather(small_bench(rows, minutes=15))).set_index("supplier")
    # A piece 100/50 = 2, thread 0.1, 30 minutes at 20 an hour; a staple of 3 for each good reed and
    # a fifth of one for each failed one.
    each = 2 + 0.1 + 10
    assert table.loc["teal", "per_good"] == pytest.approx((10 * each + 6 * 3 + 4 * 0.6) / 6)
    assert table.loc["plum", "per_good"] == pytest.approx(each + 3)
    assert np.isinf(table.loc["slate", "per_good"])
    assert table["good"].to_dict() == {"plum": 5, "slate": 0, "teal": 6}


def test_it_stands_beside_the_models_answer_with_what_a_bad_batch_would_cost(small_bench):
    rows = [("teal", "a", 3, 6, 4), ("teal", "b", 3, 7, 3), ("plum", "c", 3, 5, 5)]
    said = suppliers(small_bench(rows))
    assert said.plain["supplier"].tolist() == said.table["supplier"].tolist()
    first = said.plain.iloc[0]
    assert any(
        f"{amount(first.per_good, said.digits['cost'])} from {first.supplier}" in note
        for note in said.notes
    )
    (bad,) = (note for note in said.notes if note.startswith("A bad batch is not in the ranges"))
    costs = [float(word) for word in bad.split() if word.replace(".", "").isdigit()]
    assert costs[0] > 1.4 * said.table["cost"].iloc[0]
