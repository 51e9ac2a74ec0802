"""Advice is never a wrong number, all is told once, and what costs most reeds comes first."""

import pandas as pd
import pytest

from reedlab.records import Bench, open_bench
from reedlab.report.words.finding_lines import finding_lines

LOTS = pd.DataFrame({"lot": ["L1", "L2"], "supplier": ["Ochre", "Slate"]})


def bench(n: int = 0, **columns) -> Bench:
    n = n or max(len(values) for values in columns.values() if isinstance(values, list))
    usual = {"reed": [f"R{i}" for i in range(1, n + 1)], "lot": "L1", "tied_on": "2024-03-05"}
    usual |= {"outcome": "good", "judged_on": "2024-03-12"}
    return Bench.from_tables({"lots": LOTS, "reeds": pd.DataFrame(usual | columns)})


def lines(made: Bench, column: str) -> list[str]:
    return [line for line in finding_lines(made.findings) if f"{column}:" in line]


@pytest.mark.parametrize("text", ["72 -- 73", "72 or 73", "72mm73", "72/73"])
@pytest.mark.parametrize("name", ["tied_mm", "rough_min"])
def test_no_advice_takes_a_part_of_what_may_be_two_numbers(text, name):
    shown = text.replace("72", "35")  # a number that an example might show
    found = bench(**{name: [shown]}).findings
    fix = found.loc[(found["column"] == name) & (found["value"] == shown), "fix"].item()
    assert "without" not in fix and "35" not in fix and "73" not in fix


@pytest.mark.parametrize("word", ["unplayable", "no good", "not playable"])
def test_no_advice_is_the_opposite_of_a_word(word):
    found = bench(outcome=[word]).findings
    assert "if you mean that" not in found.loc[found["column"] == "outcome", "fix"].item()


def test_a_column_that_is_not_there_is_named_once(tmp_path):
    (tmp_path / "reeds.csv").write_text("reed,outcome\n1,good\n2,reject\n")
    made = open_bench(tmp_path)
    named = made.findings.query("column in ('lot', 'tied_on')")
    assert sorted(named["column"]) == ["lot", "tied_on"]
    assert "have no lot" in " ".join(made.flow()["reason"])


def test_a_price_in_dollars_need_not_be_written_in_euros(tmp_path):
    (tmp_path / "reeds.csv").write_text("reed,lot,tied_on,sold_for\n1,L1,2024-03-05,$25\n")
    (said,) = open_bench(tmp_path).findings.query("column == 'sold_for'")["fix"]
    assert "[costs]" in said
    (tmp_path / "bench.toml").write_text('[costs]\ncurrency = "USD"\n')
    assert open_bench(tmp_path).tables["reeds"]["sold_for"].tolist() == [25]


def test_unknown_words_of_a_column_are_one_finding_with_counts_and_rows():
    made = bench(outcome=["weg", "good", "naja", "weg", "godo", "weg"])
    (line,) = lines(made, "outcome")
    assert "'weg' in 3 rows (2, 5 and 7)" in line
    assert "'naja' in row 4" in line
    assert "'godo' in row 6 (write good, if you mean that)" in line
    # every cell keeps its own, for the marked copy
    assert made.findings.query("column == 'outcome'")["row"].tolist() == [2, 4, 5, 6, 7]


def test_findings_that_keep_most_reeds_out_come_first():
    made = bench(
        tied_on=["2024-03-05"] * 3 + [None], lot=[None, None, "L1", "L1"], tied_mm=[9, 9, 9, 9]
    )
    errors = made.findings[made.findings["severity"] == "error"]
    assert errors["column"].tolist() == ["lot", "lot", "tied_on", *["tied_mm"] * 4]


def test_a_lot_without_a_supplier_costs_all_of_its_reeds():
    lots = LOTS.assign(supplier=["Ochre", None])
    reeds = pd.DataFrame({"reed": list("abcd"), "lot": ["L1", "L2", "L2", None]})
    reeds = reeds.assign(tied_on="2024-03-05", outcome="good", judged_on="2024-03-09")
    made = Bench.from_tables({"reeds": reeds, "lots": lots})
    errors = made.findings[made.findings["severity"] == "error"]
    assert errors[["table", "column"]].values.tolist() == [["lots", "supplier"], ["reeds", "lot"]]


def test_reeds_that_wait_long_are_named_the_longest_first():
    tied = ["2024-06-01", "2024-01-05", "2024-03-05"]
    made = bench(
        tied_on=["2024-06-01"] * 12 + tied,
        judged_on=["2024-06-05"] * 10 + ["2024-06-20"] * 2 + [None] * 3,
        outcome=["good"] * 12 + [None] * 3,
    )
    (line,) = lines(made, "outcome")
    # The last day of the records is 20 June: 167 days after 5 January, 107 after 5 March.
    assert line.index("'R14, 167 days' in row 15") < line.index("'R15, 107 days' in row 16")
    # ten waited 4 days and two 19: nine in ten took at most 17.5
    assert "(18 days)" in line and "'R13, 19 days' in row 14" in line


def test_an_empty_file_is_named_and_costs_no_other_finding(tmp_path):
    (tmp_path / "reeds.csv").write_bytes(b"")
    (tmp_path / "lots.csv").write_text("lot,supplier\nL1,Ochre\n")
    rows = "".join(f"2024-03-0{day},rough,{day};,20\n" for day in range(1, 8))
    (tmp_path / "sittings.csv").write_text("date,stage,reeds,minutes\n" + rows)
    found = open_bench(tmp_path, "2025-01-01").findings
    assert found[["table", "severity"]].values.tolist() == [["reeds", "error"]]
    assert found["problem"].item().startswith("reeds.csv is empty")
