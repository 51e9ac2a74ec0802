import numpy as np
import pandas as pd

from reedlab.decide import evidence


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
