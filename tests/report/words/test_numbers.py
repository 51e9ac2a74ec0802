"""Numbers are written by one set of rules, so that every processor prints the same."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.decide.suppliers.comparison import Suppliers
from reedlab.report.words import numbers, printed_tables


@given(st.floats(allow_nan=False, allow_infinity=False, width=64), st.integers(0, 6))
def test_a_written_number_is_near_and_never_minus_nought(value, digits):
    text = numbers.number(value, digits)
    assert abs(float(text.replace(",", "")) - value) <= 0.5 * 10.0**-digits + abs(value) * 1e-15
    assert not text.startswith("-0.0") or float(text.replace(",", "")) != 0
    assert "e" not in text


@given(st.floats(0, 1))
def test_a_written_p_value_is_honest(p):
    text = numbers.p_value(p)
    assert (p < 0.001) == (text == "<0.001")
    if p >= 0.001:
        assert abs(float(text) - p) <= 0.0005 + 1e-12


@pytest.mark.parametrize("missing", [None, float("nan"), pd.NA, pd.NaT, np.nan])
def test_what_is_missing_is_a_dash(missing):
    assert numbers.number(missing) == "–"


def test_a_digit_beyond_those_shown_changes_nothing():
    frame = pd.DataFrame({"lot": ["a", "b"], "share": [0.6312, 1e-9], "p": [0.04, 1e-12]})
    moved = frame.assign(share=frame["share"] + 1e-10)
    pd.testing.assert_frame_equal(numbers.written(frame), numbers.written(moved))


def test_a_named_index_becomes_a_column():
    frame = pd.DataFrame({"mean": [0.5]}, index=pd.Index(["Intercept"], name="parameter"))
    assert numbers.written(frame).columns.tolist() == ["parameter", "mean"]


def test_markup_in_a_cell_is_shown_as_text():
    html = numbers.table_html(pd.DataFrame({"note": ["<img src=x onerror=y()>"], "n": [1]}))
    assert "<img" not in html
    assert "&lt;img src=x onerror=y()&gt;" in html
    assert '<td class="figure">1</td>' in html


def compared(decimals):
    table = pd.DataFrame(
        {
            "supplier": ["ochre", "slate"],
            "lots": [4, 1],
            "reeds": [201, 31],
            "success": [0.62, 0.481],
            "success_low": [0.5, 0.2],
            "success_high": [0.73, 0.77],
            "minutes": [44.4, 51.6],
            "cost": [21.004, 30.5],
            "cost_low": [17.0, 19.0],
            "cost_high": [26.0, 55.0],
            "prob_best": [0.91, 0.09],
        }
    )
    plain = pd.DataFrame({"supplier": ["ochre", "slate"], "reeds": [201, 31], "good": [130, 14]})
    return Suppliers(table=table, plain=plain, currency="EUR", digits={"cost": decimals})


def test_the_supplier_table_in_words():
    words = printed_tables.suppliers_in_words(compared(1))
    assert words.iloc[1].tolist() == [
        "slate", "1", "14 of 31", "48% (20 to 77)", "52", "30.5 (19.0 to 55.0)", "9%",
    ]  # fmt: skip
    assert "30 (20 to 60)" in printed_tables.plain(compared(-1))
    lines = printed_tables.plain(compared(0)).splitlines()
    assert lines[0].split()[:3] == ["supplier", "lots", "good"]
    assert len(lines) == 6
    assert lines[2].index("62%") == lines[3].index("48%")
