"""A model's coefficients in words: what is called clear, and what the words leave open."""

import pandas as pd

from reedlab.report.words import coefficients


def test_a_difference_is_clear_only_if_its_printed_interval_leaves_one_out():
    table = pd.DataFrame(
        [("autumn", 0.91, 0.83, 0.998), ("maker RS", 1.15, 1.09, 1.21), ("winter", 1.0, 0.9, 1.1)],
        columns=["effect", "ratio", "low", "high"],
    )
    said = coefficients.sentence(table, "the time", "Time more reeds.")
    assert said == (
        "Clear differences in the time (95% intervals, each taken alone): maker RS: 1.15 times "
        "(1.09 to 1.21). Not clear from these records: autumn and winter. Time more reeds."
    )
    none = coefficients.sentence(table.iloc[[0]], "the time", "Time more reeds.")
    assert none.startswith("No clear difference in the time.")


def test_records_are_not_said_to_show_what_changes_what():
    """Association: the sentence compares, and claims no cause."""
    table = pd.DataFrame({"effect": ["x"], "ratio": [2.0], "low": [1.5], "high": [2.5]})
    said = coefficients.sentence(table, "the odds", "")
    assert not any(word in said for word in ("change", "makes", "effect", "cause"))


def test_only_beside_its_change_over_the_years_an_effect_is_todays():
    frame = pd.DataFrame({"maker": pd.Categorical(["KL", "RS"])})
    maker, years = "maker[T.RS]", "years_from_today"
    words = coefficients.effects_in_words
    assert words([maker, years], frame) == ["maker RS instead of KL", "one year later"]
    assert words([maker, years, f"{maker}:{years}", "sd supplier:lot"], frame) == [
        "maker RS instead of KL, today",
        "one year later, maker KL",
        "maker RS instead of KL: change in a year",
        "sd supplier:lot",
    ]
    alone = f"maker[RS]:{years}"
    assert len(words([alone], frame)) == 1
