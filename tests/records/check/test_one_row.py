"""One row a reed: pieces and lots come from its row, and rows that disagree are named."""

import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from reedlab.records import Bench, Settings, open_bench
from reedlab.records.settings import Usual
from reedlab.records.tables import IN_REEDS, SHEETS, TABLES

EIGHT = """reed,lot,supplier,tied_on,outcome,gouge,density,hardness
1,L1,Ochre,2024-03-05,good,0.58,0.55,12
2,L1,,2024-03-06,reject,0.59,0.56,11
3,L2,Indigo,2024-03-07,good,,,
"""

GERMAN = """Nr;Los;Händler;Gebunden am;Wertung;Hobel Mitte;Dichte;Preis Los;Luft;Luft Holz
1;L1;Ochre;05.03.2024;gut;0,58;0,55;80;38;52
2;L1;Ochre;06.03.2024;weg;0,59;0,56;80;41;
"""
GERMAN_SETTINGS = """date_order = "day-month"
maker = "KL"
[columns.reeds]
"Nr" = "reed"
"Los" = "lot"
"Händler" = "supplier"
"Gebunden am" = "tied_on"
"Wertung" = "outcome"
"Hobel Mitte" = "gouge_centre_mm"
"Dichte" = "density_g_cm3"
"Preis Los" = "lot_price"
"Luft" = "rh_pct"
"Luft Holz" = "piece_rh_pct"
[words.outcome]
"gut" = "good"
"weg" = "given_up"
"""


def opened(folder: Path, **files: str) -> Bench:
    for name, text in files.items():
        (folder / name.replace("_", ".")).write_text(text, encoding="utf-8")
    return open_bench(folder, "2026-01-01")


def of(bench: Bench, *columns: str, severity: str = "error") -> list[list[object]]:
    """Return row, column and value of the findings on some columns."""
    found = bench.findings
    found = found[found["column"].isin(columns) & found["severity"].eq(severity)]
    return found[["table", "row", "column", "value"]].values.tolist()


def test_a_sheet_of_eight_columns_is_a_bench(tmp_path):
    bench = opened(tmp_path, reeds_csv=EIGHT)
    assert not (bench.findings["severity"] == "error").any(), bench.findings.to_string()
    assert bench.reeds["supplier"].astype(object).tolist() == ["Ochre", "Ochre", "Indigo"]
    np.testing.assert_array_equal(bench.reeds["gouge_centre_mm"], [0.58, 0.59, np.nan])
    np.testing.assert_array_equal(bench.cane["density_g_cm3"], [0.55, 0.56])
    np.testing.assert_array_equal(bench.cane["hardness"], [12, 11])
    assert bench.tables["pieces"]["piece"].tolist() == ["1", "2"]  # the third row says nothing
    assert bench.tables["lots"]["lot"].tolist() == ["L1", "L2"]
    assert bench.reeds["maker"].nunique() == 1


def test_a_german_sheet_is_read_through_the_settings(tmp_path):
    bench = opened(tmp_path, reeds_csv=GERMAN, bench_toml=GERMAN_SETTINGS)
    assert not (bench.findings["severity"] == "error").any(), bench.findings.to_string()
    assert bench.reeds["rh_pct"].tolist() == [38, 41]  # the reed's own keeps the name
    np.testing.assert_array_equal(bench.tables["pieces"]["rh_pct"], [52, np.nan])
    assert bench.tables["lots"]["price"].tolist() == [80]
    assert bench.reeds["maker"].astype(object).tolist() == ["KL", "KL"]
    assert bench.reeds["outcome"].tolist() == ["good", "given_up"]


def test_names_that_reeds_have_keep_their_meaning_and_the_others_are_derived():
    reeds = TABLES["reeds"].columns
    assert all(SHEETS["reeds"].columns[name] is column for name, column in reeds.items())
    assert {"piece_rh_pct", "piece_temp_c", "piece_lost_at", "piece_note"} <= set(IN_REEDS)
    assert {"lot_price", "lot_quantity", "price_per_piece"} <= set(IN_REEDS)
    assert not {"price", "quantity", "note", "rh_pct"} & set(IN_REEDS)


def test_a_price_in_a_row_of_a_reed_is_asked(tmp_path):
    sheet = EIGHT.replace("hardness", "Price (EUR)")
    bench = opened(tmp_path, reeds_csv=sheet)
    found = bench.findings[bench.findings["value"] == "Price (EUR)"]
    assert found["severity"].tolist() == ["warning"]
    assert all(
        name in found["fix"].iloc[0] for name in ("sold_for", "lot_price", "price_per_piece")
    )
    assert bench.tables["lots"]["price"].isna().all()
    assert bench.tables["reeds"]["sold_for"].isna().all()


def rows(**columns) -> pd.DataFrame:
    n = max(len(values) for values in columns.values() if isinstance(values, list))
    usual = {"reed": [f"R{i}" for i in range(1, n + 1)], "lot": "L1", "tied_on": "2024-03-05"}
    return pd.DataFrame(usual | {"outcome": "good", "judged_on": "2024-03-08"} | columns)


def test_a_row_of_another_supplier_is_not_of_that_lot():
    bench = Bench.from_tables({"reeds": rows(supplier=["Ochre", "Ochre", "Indigo", None])})
    assert of(bench, "supplier", "lot") == [["reeds", 4, "supplier", "Indigo"]]
    assert bench.reeds["supplier"].astype(object).where(lambda s: s.notna(), None).tolist() == [
        "Ochre", "Ochre", None, "Ochre",
    ]  # fmt: skip


def test_rows_that_are_as_many_for_one_supplier_as_for_another_settle_nothing():
    bench = Bench.from_tables({"reeds": rows(supplier=["Ochre", "Indigo"])})
    assert [row for _, row, *_ in of(bench, "supplier")] == [2, 3]
    assert bench.reeds["supplier"].isna().all()


def test_a_misspelt_supplier_is_named_and_the_lot_keeps_the_reed():
    bench = Bench.from_tables({"reeds": rows(supplier=["Ochre", "ochre", "Ochre", "Ocher"])})
    assert of(bench, "supplier") == []
    assert of(bench, "supplier", severity="warning") == [["reeds", 5, "supplier", "Ocher"]]
    assert of(bench, "supplier", severity="read_as") == [["reeds", 3, "supplier", "ochre"]]
    assert bench.reeds["supplier"].astype(object).tolist() == ["Ochre"] * 4


def test_money_and_years_of_a_lot_that_disagree_are_not_guessed():
    said = rows(supplier="Ochre", lot_price=[80, 80, 90], harvest_year=[2021, 2022, None])
    bench = Bench.from_tables({"reeds": said})
    assert of(bench, "lot_price") == [["reeds", 4, "lot_price", "90"]]
    assert [row for _, row, *_ in of(bench, "harvest_year")] == [2, 3]
    assert bench.tables["lots"][["price", "harvest_year"]].fillna(-1).values.tolist() == [[80, -1]]


def test_the_lots_table_comes_first_and_rows_fill_what_it_leaves_empty():
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["Ochre"], "harvest_year": [None]})
    said = rows(lot=["L1", "L1", "L2"], supplier=["Ochre", "Slate", "Teal"], harvest_year=2021)
    bench = Bench.from_tables({"lots": lots, "reeds": said})
    assert of(bench, "supplier") == [["reeds", 3, "supplier", "Slate"]]
    assert bench.tables["lots"]["lot"].tolist() == ["L1", "L2"]
    assert bench.tables["lots"]["harvest_year"].tolist() == [2021, 2021]


def test_labels_of_lots_in_other_capitals_or_blanks():
    bench = Bench.from_tables({"reeds": rows(lot=["L21", "L21", "l21", "L 21"], supplier="Ochre")})
    assert of(bench, "lot", severity="read_as") == [["reeds", 4, "lot", "l21"]]
    assert of(bench, "lot", severity="warning") == [["reeds", 5, "lot", "L 21"]]
    assert bench.tables["lots"]["lot"].tolist() == ["L21", "L 21"]


def test_findings_about_a_made_piece_or_lot_name_the_row_of_the_reed():
    said = rows(supplier="Ochre", gouge_centre_mm=[0.58, 5.8], piece_lost_at=[None, "gouge"])
    bench = Bench.from_tables({"reeds": said})
    assert of(bench, "gouge_centre_mm") == [["reeds", 3, "gouge_centre_mm", "5.8"]]
    assert of(bench, "piece_lost_at", severity="warning") == [
        ["reeds", 3, "piece_lost_at", "gouge"]
    ]
    assert not bench.findings["table"].isin(["pieces", "lots"]).any()


def test_a_finding_on_a_lot_names_the_first_row_that_has_the_word():
    said = rows(
        lot=["L1", "L1", "L2", "L2", "L3"], supplier=["Ochre", "Ochre", None, "Ocher", None]
    )
    lots = pd.DataFrame({"lot": ["L3"], "supplier": ["Ochre"], "grower": [None]})
    bench = Bench.from_tables({"lots": lots, "reeds": said})
    assert of(bench, "supplier", severity="warning") == [["reeds", 5, "supplier", "Ocher"]]
    said = rows(lot=["L3", "L3", "L4", "L5"], grower=[None, "Hill farn", "Hill farm", "Hill farm"])
    bench = Bench.from_tables({"lots": lots, "reeds": said.assign(supplier="Ochre")})
    assert of(bench, "grower", severity="warning") == [["reeds", 3, "grower", "Hill farn"]]


def test_the_made_label_of_a_piece_is_not_that_of_another():
    pieces = pd.DataFrame({"piece": ["R1"], "lot": ["L1"], "mass_g": [0.2]})
    said = rows(supplier="Ochre", mass_g=[0.21, 0.22])
    bench = Bench.from_tables({"pieces": pieces, "reeds": said})
    assert bench.tables["pieces"]["piece"].tolist() == ["R1", "R1 (reed)", "R2"]
    assert bench.reeds["mass_g"].tolist() == [0.21, 0.22]


def test_one_piece_in_two_rows_that_disagree():
    said = rows(supplier="Ochre", piece="P1", retie_of=[None, "R1"], mass_g=[0.21, 0.23])
    bench = Bench.from_tables({"reeds": said})
    assert [row for _, row, *_ in of(bench, "mass_g")] == [2, 3]
    assert bench.reeds["mass_g"].isna().all()


def test_what_a_piece_cost_is_known_from_its_price_or_from_the_lot():
    lots = pd.DataFrame(
        {"lot": list("abc"), "supplier": "Ochre", "form": "gouged", "price_per_piece": [2, 2.5, 3],
         "quantity": [None, 40, 40], "price": [None, None, 80], "freight": [None, 10, None]}
    )  # fmt: skip
    bench = Bench.from_tables({"lots": lots})
    # b: 40 x 2.50 and 10 of freight over 40 pieces; c: 80 over 40, and 3 is not that
    assert bench.losses["cost_per_piece"].tolist() == [2, 2.75, 2]
    assert of(bench, "price_per_piece", severity="warning") == [["lots", 4, "price_per_piece", "3"]]


@pytest.mark.parametrize(
    ("maker", "said", "found"),
    [
        (None, Settings(), [None, None]),
        (["KL", None], Settings(), ["row 3"]),
        (["KL", None], Settings(maker="me"), []),
    ],
)
def test_a_maker_may_be_left_out(maker, said, found):
    bench = Bench.from_tables({"reeds": rows(reed=["1", "2"], supplier="Ochre") if maker is None
                               else rows(maker=maker, supplier="Ochre")}, said)  # fmt: skip
    named = bench.findings[bench.findings["column"] == "maker"]
    assert named["row"].tolist() == ([3] if found == ["row 3"] else [])
    expected = ["me", "me"] if maker is None else ["KL", "me"]
    assert bench.reeds["maker"].astype(object).tolist() == expected


def test_a_usual_maker_holds_from_its_day_on_in_reeds_and_sittings(tmp_path):
    sheet = "reed,lot,supplier,tied_on,rough_on,outcome\n1,L1,Ochre,2024-03-05,2024-03-06,good\n"
    sittings = "date,stage,reeds,minutes\n2024-03-06,rough,1,20\n"
    usual = '[[usual]]\nfrom = 2024-01-01\nmaker = "KL"\n'
    bench = opened(tmp_path, reeds_csv=sheet, sittings_csv=sittings, bench_toml=usual)
    assert bench.tables["sittings"]["maker"].tolist() == ["KL"]
    assert bench.reeds["rough_min"].tolist() == [20]
    assert not (bench.findings["column"] == "maker").any()


def test_a_piece_that_is_not_in_pieces_where_others_of_its_lot_are():
    pieces = pd.DataFrame({"piece": ["L03-10", "L03-11"], "lot": "L03", "mass_g": 0.2})
    lots = pd.DataFrame({"lot": ["L03", "L04"], "supplier": "Ochre"})
    said = rows(lot=["L03", "L03", "L03", "L04"], piece=["L03-10", "L03-1l", "L03-19", "L04-1"])
    bench = Bench.from_tables({"lots": lots, "pieces": pieces, "reeds": said})
    found = bench.findings[bench.findings["column"] == "piece"]
    assert found[["row", "severity"]].values.tolist() == [[3, "warning"], [4, "warning"]]
    assert found["fix"].iloc[0] == "write L03-11, if you mean that"
    assert "write" not in found["fix"].iloc[1]  # L03-19 may well be another piece


def test_what_is_usual_of_a_piece_stands_in_each_row_that_says_nothing_else(tmp_path):
    sheet = "reed,lot,supplier,tied_on,outcome,gouge,hardness,tied,good\n"
    sheet += "1,L1,Ochre,2024-02-05,good,,12,,\n2,L1,Ochre,2024-03-05,good,,12,,\n"
    sheet += "3,L1,Ochre,2024-03-05,good,0.61,,,\n4,L1,Ochre,2024-03-06,,,,3,3\n"
    usual = '[[usual]]\nfrom = 2024-03-01\ngouge_centre_mm = 0.58\nhardness_gauge = "dial"\n'
    bench = opened(tmp_path, reeds_csv=sheet, bench_toml=usual)
    assert not (bench.findings["table"] == "bench.toml").any()
    np.testing.assert_array_equal(
        bench.reeds["gouge_centre_mm"], [np.nan, 0.58, 0.61, *[np.nan] * 3]
    )
    assert bench.cane["piece"].astype(object).tolist() == ["1", "2", "3"]
    assert of(bench, "hardness_gauge", severity="warning") != []  # the first day says none


def test_what_is_usual_of_a_piece_does_not_hide_a_label_that_is_not_in_pieces():
    pieces = pd.DataFrame({"piece": ["L1-10", "L1-11"], "lot": "L1", "mass_g": [0.2, 0.21]})
    usual = (Usual(date(2024, 1, 1), {"gouge_centre_mm": 0.58}),)
    lots = pd.DataFrame({"lot": ["L1"], "supplier": "Ochre"})
    said = rows(lot="L1", piece=["L1-10", "L1-1l"])
    bench = Bench.from_tables(
        {"lots": lots, "pieces": pieces, "reeds": said}, Settings(usual=usual)
    )
    assert of(bench, "piece", severity="warning") == [["reeds", 3, "piece", "L1-1l"]]
    np.testing.assert_array_equal(bench.reeds["gouge_centre_mm"], [0.58, np.nan])


MEASURED = {
    "gouge_centre_mm": st.sampled_from([None, 0.57, 0.58, 0.6]),
    "density_g_cm3": st.sampled_from([None, 0.5, 0.55]),
    "hardness": st.sampled_from([None, 10.0, 12.0]),
    "piece_rh_pct": st.sampled_from([None, 40.0, 55.0]),
    "piece_note": st.sampled_from([None, "bowed"]),
    "tube": st.sampled_from([None, "T1", "T2"]),
}
REED = {
    "lot": st.integers(1, 12).map(lambda i: f"L{i}"),
    "tied_on": st.dates(date(2024, 1, 1), date(2024, 12, 31)).map(str),
    "outcome": st.sampled_from([None, "good", "reject", "given_up"]),
    "rh_pct": st.sampled_from([None, 38.0, 61.0]),
    "note": st.sampled_from([None, "for a pupil"]),
}
LOT = {
    "supplier": st.sampled_from(["Ochre", "Indigo"]),
    "harvest_year": st.sampled_from([None, 2021.0, 2022.0]),
    "lot_price": st.sampled_from([None, 80.0]),
    "lot_quantity": st.sampled_from([None, 40.0]),
    "form": st.sampled_from([None, "gouged", "tube"]),
}


# Lots say nothing of one another, so a few examples of many lots are as many as of one.
LOTS = [f"L{i}" for i in range(1, 13)]


@settings(max_examples=4, deadline=None)
@given(
    reeds=st.lists(st.fixed_dictionaries(REED | MEASURED), min_size=1, max_size=32),
    lots=st.fixed_dictionaries({lot: st.fixed_dictionaries(LOT) for lot in LOTS}),
    first_only=st.booleans(),
)
def test_a_sheet_split_by_hand_gives_the_same_bench(reeds, lots, first_only):
    """One row a reed, and the same written as reeds, pieces and lots."""
    named = [{"reed": f"R{i}"} | row for i, row in enumerate(reeds)]
    seen = set()
    one = []
    for row in named:
        its = lots[row["lot"]] if not (first_only and row["lot"] in seen) else {}
        seen.add(row["lot"])
        one.append({**dict.fromkeys(LOT), **row, **its})
    measured = [row for row in named if any(row[name] is not None for name in MEASURED)]
    by_hand = {
        "reeds": [
            {"reed": r["reed"], "piece": r["reed"] if r in measured else None}
            | {name: r[name] for name in REED}
            for r in named
        ],
        "pieces": [
            {"piece": r["reed"], "lot": r["lot"]}
            | {name.removeprefix("piece_"): r[name] for name in MEASURED}
            for r in measured
        ],
        "lots": [
            {"lot": lot} | {name.removeprefix("lot_"): value for name, value in lots[lot].items()}
            for lot in dict.fromkeys(r["lot"] for r in named)
        ],
    }
    with tempfile.TemporaryDirectory() as together, tempfile.TemporaryDirectory() as apart:
        pd.DataFrame(one).to_csv(Path(together) / "reeds.csv", index=False)
        for name, frame in by_hand.items():
            if frame:
                pd.DataFrame(frame).to_csv(Path(apart) / f"{name}.csv", index=False)
        sheet = open_bench(together, "2026-01-01")
        tables = open_bench(apart, "2026-01-01")
    assert_frame_equal(sheet.reeds, tables.reeds)
    assert_frame_equal(sheet.cane, tables.cane)
    assert_frame_equal(sheet.losses, tables.losses)


@settings(max_examples=5, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([*(f"{letter}{i}" for i in range(1, 9) for letter in "Ll"), None]),
            st.sampled_from(["Ochre", "ochre", "Ocher", "Slate", None]),
            st.sampled_from([None, 2021.0, 2022.0]),
        ),
        min_size=1,
        max_size=40,
    )
)
def test_no_reed_has_what_its_row_does_not_say_without_a_finding(said):
    lots, suppliers, years = map(list, zip(*said))
    bench = Bench.from_tables(
        {"reeds": rows(lot=lots, supplier=suppliers, harvest_year=years, style="long")}
    )
    named = {
        (row, column) for row, column in bench.findings[["row", "column"]].dropna().values.tolist()
    }
    used = bench.reeds[["supplier", "harvest_year"]].astype(object)
    for at, (supplier, year) in enumerate(zip(suppliers, years)):
        for column, wrote in (("supplier", supplier), ("harvest_year", year)):
            has = used[column].iloc[at]
            if wrote is not None and lots[at] is not None and has != wrote:
                # What the rows of a lot say alike is named once, at the first of its rows.
                keys = [str(lot).casefold() for lot in lots]
                alike = [row for row, key in enumerate(keys) if key == keys[at]]
                assert any(
                    (row + 2, of) in named for row in alike for of in (column, "supplier", "lot")
                )
