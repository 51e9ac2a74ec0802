"""What changes with the priors is decided by its shift; the sentence only says it."""

import pandas as pd

from reedlab.report.words import prior_words


def sensitivity(shift):
    return pd.DataFrame(
        {
            "parameter": ["season"] * 3 + ["sd supplier"] * 3,
            "scale": [0.5, 1.0, 2.0] * 2,
            "mean": [0.1, 0.1, 0.1, 0.4, 0.6, 0.9],
            "shift": [0.01, 0.0, 0.02, -shift, 0.0, shift],
        }
    )


def test_verdicts_follow_the_shift():
    table = prior_words.verdicts(sensitivity(0.7)).set_index("parameter")
    assert table["verdict"].to_dict() == {"season": "does not change", "sd supplier": "changes"}
    assert table.loc["sd supplier", ["mean at half", "mean at own", "mean at twice"]].tolist() == [
        0.4,
        0.6,
        0.9,
    ]
    assert table.loc["sd supplier", "most_shift"] == 0.7


def test_the_sentence():
    assert prior_words.sentence(sensitivity(0.7), "success") == (
        "With prior scales of half or twice the size, how much suppliers differ in success "
        "(standard deviation 0.40 to 0.90) changes and nothing else does; only more suppliers can "
        "settle it."
    )
    assert prior_words.sentence(sensitivity(0.3), "minutes") == (
        "With prior scales of half or twice the size, nothing that these records say of minutes "
        "changes."
    )
