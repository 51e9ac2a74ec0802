"""Checking: each fault is named with its row and its fix; normal practice is left in peace.

Ranges are common practice, no source; conversions are definitions (an inch is 25.4 mm, and
°F = 1.8 °C + 32).
"""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import SettingsError
from reedlab.records import TABLES, Bench, Settings
from reedlab.report.words.finding_lines import finding_lines

LOT = {"lot": "L1", "supplier": "Ochre", "bought_on": "2021-01-10", "form": "gouged"}
REED = {
    "reed": "1",
    "lot": "L1",
    "maker": "KL",
    "tied_on": "2021-03-05",
    "outcome": "good",
    "judged_on": "2021-03-12",
}
PIECE = {"piece": "P1", "lot": "L1", "measured_state": "gouged"}


def bench(lots=({},), reeds=({},), pieces=(), settings=None, **tables) -> Bench:
    """Return a bench of rows, each the usual one with something changed."""
    made = {
        "lots": pd.DataFrame([LOT | row for row in lots]),
        "reeds": pd.DataFrame([REED | {"reed": str(i)} | row for i, row in enumerate(reeds, 1)]),
        "pieces": pd.DataFrame([PIECE | {"piece": f"P{i}"} | r for i, r in enumerate(pieces, 1)]),
    }
    made |= {name: pd.DataFrame(rows) for name, rows in tables.items()}
    return Bench.from_tables({k: v for k, v in made.items() if len(v)}, settings)


def named(made: Bench, column: str, table: str = "reeds") -> pd.DataFrame:
    """Return the findings of a column, but for what is said of a bench too young to tell."""
    found = made.findings
    return found[(found["table"] == table) & (found["column"] == column) & found["row"].notna()]


@pytest.mark.parametrize(
    ("table", "column", "value", "severity", "fix"),
    [
        # what would be meant in another unit is said, and nothing is converted
        ("reeds", "tied_mm", 2.83, "error", "inches, write 71.9 (mm)"),
        ("reeds", "tied_mm", 7.25, "error", "centimetres, write 72.5 (mm)"),
        ("pieces", "gouge_centre_mm", 23, "error", "thousandths of an inch, write 0.584 (mm)"),
        ("pieces", "gouge_centre_mm", 58, "error", "hundredths of a millimetre, write 0.58 (mm)"),
        ("reeds", "temp_c", 68, "error", "Fahrenheit, write 20 (°C)"),
        ("reeds", "temp_c", 50, "warning", "Fahrenheit, write 10 (°C)"),
        ("reeds", "rh_pct", 0.45, "error", "fractions of one, write 45 (%)"),
        ("pieces", "density_g_cm3", 550, "error", "kg/m³, write 0.55 (g/cm³)"),
        ("pieces", "mass_g", 215, "error", "milligrams, write 0.215 (g)"),
        ("reeds", "rough_min", 0.5, "warning", "hours, write 30 (min)"),
        # impossible in any unit
        ("reeds", "rough_min", -3, "error", "0 to 1440 min"),
        ("reeds", "rh_pct", 130, "error", "2 to 100 %"),
        ("reeds", "response", 7, "error", "1 to 5"),
        ("pieces", "mass_g", -1, "error", "0.01 to 20 g"),
        # unlikely
        ("pieces", "gouge_centre_mm", 0.7, "warning", "[ranges]"),
        ("reeds", "tied_mm", 78, "warning", "[ranges]"),
    ],
)
def test_values_that_cannot_be_or_are_unlikely(table, column, value, severity, fix):
    made = bench(pieces=[{}], **{}) if table == "reeds" else bench(pieces=[{column: value}])
    if table == "reeds":
        made = bench(reeds=[{column: value}])
    found = named(made, column, table)
    assert found["severity"].tolist() == [severity]
    assert fix in found["fix"].iloc[0]
    assert found["row"].tolist() == [2]
    kept = made.tables[table][column].iloc[0]
    assert np.isnan(kept) if severity == "error" else kept == value  # unlikely, but used


def test_ranges_go_by_style():
    reeds = [{"style": style, "tied_mm": 75.0} for style in ("long", "short", None)]
    found = named(bench(reeds=reeds), "tied_mm")
    assert found["row"].tolist() == [2]
    assert found["problem"].iloc[0] == "is unlikely: usual for long is 71 to 74 mm"


def test_the_usual_style_counts_for_rows_that_do_not_say():
    from reedlab.records.settings import Usual

    settings = Settings(usual=(Usual(date(2021, 1, 1), {"style": "long"}),))
    assert len(named(bench(reeds=[{"tied_mm": 75.0}], settings=settings), "tied_mm")) == 1


def test_the_maker_moves_a_range():
    settings = Settings(ranges={"pieces.gouge_centre_mm": (0.6, 0.72)})
    made = bench(pieces=[{"gouge_centre_mm": 0.7}, {"gouge_centre_mm": 0.58}], settings=settings)
    assert named(made, "gouge_centre_mm", "pieces")["row"].tolist() == [3]


def test_cells_that_must_not_be_empty():
    made = bench(reeds=[{}, {"maker": None}, {"tied_on": None}, {"lot": None}])
    assert named(made, "maker")["row"].tolist() == [3]
    assert named(made, "tied_on")["row"].tolist() == [4]
    assert named(made, "lot")["row"].tolist() == [5]
    said = made.findings.dropna(subset="row").set_index("column")["severity"].to_dict()
    assert said == {"maker": "warning", "tied_on": "error", "lot": "error"}


def test_a_label_that_comes_twice_counts_once():
    made = bench(reeds=[{}, {}, {"reed": "1", "outcome": "reject"}])
    found = named(made, "reed")
    assert found["row"].tolist() == [4]
    assert found["problem"].iloc[0] == "is already in row 2; only that row is used"
    assert made.reeds["reed"].tolist() == ["1", "2"]
    assert made.reeds["success"].tolist() == [1.0, 1.0]


def test_labels_that_lead_nowhere():
    made = bench(reeds=[{}, {"lot": "l 1"}, {"lot": "L9"}], pieces=[{"lot": "L1"}, {"lot": "X"}])
    found = named(made, "lot")
    assert found["row"].tolist() == [3, 4]
    assert found["fix"].tolist() == [
        "write L1, if you mean that",
        "add it to lots, or fix the label",
    ]
    assert named(made, "lot", "pieces")["row"].tolist() == [3]


def test_a_piece_without_a_row_is_no_fault_where_none_of_its_lot_has_one():
    reeds = [{"piece": "P7", "lot": "L2"}, {"piece": "P8", "lot": None}]
    made = bench(lots=[{}, {"lot": "L2"}], reeds=reeds, pieces=[{}])
    assert named(made, "piece")["row"].tolist() == [3]


def test_a_reed_whose_lot_and_piece_disagree_is_used_for_neither():
    made = bench(lots=[{}, {"lot": "L2"}], reeds=[{"piece": "P1", "lot": "L2"}], pieces=[{}])
    found = named(made, "lot")
    assert found[["row", "value", "severity"]].values.tolist() == [[2, "L2", "error"]]
    assert made.tables["reeds"][["lot", "piece"]].isna().all(axis=None)
    assert made.reeds["supplier"].isna().all()


def test_a_piece_tied_twice_unless_it_is_a_retie():
    reeds = [{"piece": "P1"}, {"piece": "P1"}, {"piece": "P1", "retie_of": "1"}]
    assert named(bench(reeds=reeds, pieces=[{}]), "piece")["row"].tolist() == [3]


def test_near_spellings_are_asked_about_and_labels_are_not():
    lots = [{"supplier": s, "lot": f"L{i}"} for i, s in enumerate(["Ochre", "Ochre", "Ocher"], 1)]
    made = bench(lots=lots, reeds=[{"shape": "B2"}, {"shape": "B2"}, {"shape": "B3"}])
    found = named(made, "supplier", "lots")
    assert found["row"].tolist() == [4]
    assert found[["value", "severity"]].values.tolist() == [["Ocher", "warning"]]
    assert found["problem"].iloc[0] == "is nearly Ochre, which is in 2 rows"
    assert found["fix"].iloc[0] == "write Ochre, or leave it if both exist"
    assert named(made, "shape").empty  # two shapes, not two spellings
    makers = named(bench(reeds=[{}, {}, {"maker": "K.L."}, {"maker": "KM"}]), "maker")
    assert makers["row"].tolist() == [
        4
    ]  # initials with points, but another letter is another maker


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ({"tied_on": "2020-12-31"}, "tied_on"),  # before the lot was bought
        ({"rough_on": "2021-03-04"}, "rough_on"),
        ({"rough_on": "2021-03-08", "finished_on": "2021-03-07"}, "finished_on"),
        ({"finished_on": "2021-03-14"}, "judged_on"),
        ({"returned_on": "2021-03-01"}, "returned_on"),
        ({"judged_on": "2023-04-12"}, "judged_on"),  # two years later
    ],
)
def test_days_out_of_order(row, column):
    found = named(bench(reeds=[{}, row]), column)
    assert found["row"].tolist() == [3]
    assert found["severity"].tolist() == ["warning"]


def test_a_day_in_the_future_is_not_used():
    made = bench(reeds=[{"judged_on": "2095-03-12"}])
    assert named(made, "judged_on")["severity"].tolist() == ["error"]
    assert made.tables["reeds"]["judged_on"].isna().all()


def test_today_is_the_day_given_or_that_of_the_environment(monkeypatch):
    tables = {"lots": pd.DataFrame([LOT]), "reeds": pd.DataFrame([REED])}  # judged on 2021-03-12

    def late(today=None):
        return Bench.from_tables(tables, today=today).findings.query("severity == 'error'")

    # A day ahead is left in peace: it may have come already in another time zone.
    assert late("2021-03-11").empty and late(date(2021, 3, 12)).empty
    assert late("2021-03-10")[["table", "row", "column"]].values.tolist() == [
        ["reeds", 2, "judged_on"]
    ]
    monkeypatch.setenv("REEDLAB_TODAY", "2021-03-10")
    assert len(late()) == 1 and late("2021-03-12").empty
    monkeypatch.setenv("REEDLAB_TODAY", "soon")
    with pytest.raises(SettingsError) as refused:
        late()
    assert refused.value.key == "REEDLAB_TODAY"


def test_more_pieces_out_than_in():
    row = {"lot": "L1", "date": "2021-02-01", "stage": "gouge", "pieces_in": 20, "pieces_out": 25}
    made = bench(tally=[row, row | {"stage": "split"}])
    assert named(made, "pieces_out", "tally")["row"].tolist() == [2]
    assert np.isnan(made.tables["tally"]["pieces_out"].iloc[0])


def test_a_stage_that_takes_up_more_than_the_one_before_left():
    row = {"lot": "L1", "date": "2021-02-01", "stage": "gouge", "pieces_in": 20, "pieces_out": 15}
    made = bench(tally=[row, row | {"stage": "shape", "pieces_in": 18}])
    found = made.findings.query("table == 'tally'")
    assert found[["column", "value", "severity"]].values.tolist() == [
        ["pieces_in", "18", "warning"]
    ]
    assert found["problem"].iloc[0].endswith("more than the 15 that came out of gouge")


def test_more_reeds_than_were_bought():
    made = bench(lots=[{"quantity": 2, "quantity_unit": "piece"}], reeds=[{}] * 3)
    found = named(made, "quantity", "lots")
    assert found[["row", "value", "severity"]].values.tolist() == [[2, "2", "warning"]]


def test_a_loss_noted_twice():
    shape = {"lot": "L1", "date": "2021-02-01", "stage": "shape", "pieces_in": 20, "pieces_out": 19}
    tie = shape | {"stage": "tie", "pieces_in": 19, "pieces_out": 18}
    made = bench(
        reeds=[{"piece": "P3"}, {"outcome": "broken", "lost_at": "tie"}],
        pieces=[{"lost_at": "shape"}, {"lost_at": "shape"}, {"lost_at": "gouge"}],
        tally=[shape, tie],
    )
    found = named(made, "lost_at", "pieces")
    assert found[["row", "value", "severity"]].values.tolist() == [
        [3, "shape", "warning"],  # the second piece lost at shaping, while the tally has one
        [4, "gouge", "warning"],  # a lost piece that was tied
    ]
    assert named(made, "lost_at")[["row", "value", "severity"]].values.tolist() == [
        [3, "tie", "warning"]
    ]


def test_measured_pieces_among_those_that_a_tally_counts_are_no_fault():
    row = {"lot": "L1", "date": "2021-02-01", "stage": "shape", "pieces_in": 20, "pieces_out": 15}
    made = bench(pieces=[{"lost_at": "shape"}, {"lost_at": "shape"}], tally=[row])
    assert named(made, "lost_at", "pieces").empty


def test_outcomes_and_their_days():
    made = bench(reeds=[{}, {"judged_on": None}, {"outcome": None}, {"outcome": "good"}])
    assert named(made, "judged_on")["row"].tolist() == [3]
    assert named(made, "outcome")["row"].tolist() == [4]


def test_a_good_reed_was_not_lost_and_a_failure_not_sold():
    made = bench(reeds=[{"lost_at": "clip"}, {"outcome": "broken", "sold_for": 20}])
    assert named(made, "lost_at")["row"].tolist() == [2]
    assert named(made, "sold_for")["row"].tolist() == [3]


def test_names_that_differ_in_capitals_alone_are_one():
    """Else ochre and Ochre would be ranked as two suppliers."""
    lots = [{"supplier": s, "lot": f"L{i}"} for i, s in enumerate(["Ochre", "ochre", "ochre"], 1)]
    reeds = [{"lot": "l1", "maker": "kl"}, {}, {"piece": "p1", "lot": None}]
    batch = {"date": "2021-03-05", "maker": "kl", "reeds": "1; 2", "minutes": 60}
    made = bench(lots=lots, reeds=reeds, pieces=[{"lot": "L2"}], sittings=[batch])
    assert made.tables["lots"]["supplier"].tolist() == ["ochre"] * 3
    assert made.tables["reeds"]["maker"].tolist() == ["KL"] * 3
    assert made.tables["sittings"]["maker"].tolist() == ["KL"]
    assert made.reeds["lot"].tolist() == ["L1", "L1", "L2"]
    assert made.findings.query("severity == 'error'").empty
    found = made.findings.query("severity == 'read_as'")
    assert found[["table", "row", "column", "value"]].values.tolist() == [
        ["lots", 2, "supplier", "Ochre"],
        ["reeds", 2, "maker", "kl"],
        ["reeds", 2, "lot", "l1"],
        ["reeds", 4, "piece", "p1"],
        ["sittings", 2, "maker", "kl"],
    ]
    assert "read as ochre" in found["problem"].iloc[0]
    lines = list(finding_lines(made.findings))
    assert lines[1] == "lots: 1 note"
    assert lines[2].startswith("  note, row 2, supplier: 'Ochre' is read as ochre")


def test_labels_that_are_two_stay_two():
    lots = [{"lot": "a1"}, {"lot": "A1", "supplier": "Umber"}, {"lot": "Ä1"}, {"lot": "ä1"}]
    made = bench(lots=lots, reeds=[{"lot": "a1"}, {"lot": "A1"}])
    assert made.reeds["supplier"].tolist() == ["Ochre", "Umber"]
    assert named(made, "lot").empty
    assert len(named(bench(lots=lots[:2], reeds=[{"lot": "Á1"}]), "lot")) == 1


def test_what_stands_in_many_rows_can_be_mended_once():
    for row, column in (({"lot": "L-1"}, "lot"), ({"shape": "B-2"}, "shape")):
        reeds = [{"shape": "B2"}] * 6
        few, many = (
            named(bench(reeds=[*reeds, *[row] * n]), column)["fix"].unique() for n in (3, 4)
        )
        assert len(few) == len(many) == 1
        assert "bench.toml" not in few[0]
        assert f"(or say so once, under [words.{column}] in bench.toml)" in many[0]
    settings = Settings(words={"lot": {"L-1": "L1"}, "shape": {"B-2": "B2"}})
    row = {"lot": "L-1", "shape": "B-2"}
    assert named(bench(reeds=[{"shape": "B2"}, row], settings=settings), "lot").empty


def test_a_currency_may_be_written_by_its_sign():
    lots = [{"lot": name, "price": 50, "currency": name} for name in ("EUR", "eur", "€", "Euro")]
    made = bench(lots=lots, reeds=[{"lot": "EUR"}])
    assert named(made, "currency", "lots").empty
    assert made.tables["lots"]["currency"].tolist() == ["EUR"] * 4
    assert made.tables["lots"]["price"].tolist() == [50] * 4
    made = bench(lots=lots, reeds=[{"lot": "EUR"}], settings=Settings(currency="CAD"))
    assert len(named(made, "currency", "lots")) == 4


def test_a_price_in_another_currency_is_not_used():
    made = bench(lots=[{"price": 50, "currency": "USD"}, {"lot": "L2", "price": 50}])
    assert named(made, "currency", "lots")["severity"].tolist() == ["error"]
    assert made.losses["cost_landed"].isna().tolist() == [True, False]


def test_minutes_of_one_scrape_alone_are_asked_about():
    for noted, other in (("rough_min", "finish_min"), ("finish_min", "rough_min")):
        found = bench(reeds=[{noted: 20}, {noted: 25}, {}]).findings
        found = found[found["column"] == other]
        assert found["severity"].tolist() == ["warning"]
        assert found["row"].isna().tolist() == [True]
        assert f"the 2 times under {noted}" in found["problem"].iloc[0]
    both = [{"rough_min": 20, "finish_min": 30}, {"rough_min": 20}]
    unread = [{"rough_min": 20, "finish_min": "later"}]
    batch = [{"date": "2021-03-05", "maker": "KL", "stage": "finish", "reeds": "1", "minutes": 30}]
    for made in (
        bench(reeds=both), bench(reeds=unread), bench(reeds=[{"rough_min": 20}], sittings=batch),
    ):  # fmt: skip
        found = made.findings[made.findings["row"].isna()]
        assert not found["column"].isin(["rough_min", "finish_min"]).any()


def test_sittings_of_reeds_that_are_not_there_or_have_their_own_minutes():
    row = {
        "date": "2021-03-06",
        "maker": "KL",
        "stage": "rough",
        "reeds": "1, 2; 77",
        "minutes": 60,
    }
    made = bench(reeds=[{"rough_min": 12}, {}], sittings=[row])
    assert named(made, "reeds", "sittings")["value"].tolist() == ["77"]
    found = named(made, "minutes", "sittings")
    assert found[["row", "value", "severity"]].values.tolist() == [[2, "60", "warning"]]


def test_every_problem_at_once_and_tables_in_their_order():
    made = bench(lots=[{"price": "cheap"}], reeds=[{"tied_mm": "x", "rough_min": "y"}])
    assert made.findings["table"].drop_duplicates().tolist() == ["lots", "reeds"]
    assert (made.findings["severity"] == "error").sum() == 3
    of_reeds = made.findings.query("table == 'reeds'")["severity"].tolist()
    assert of_reeds == sorted(of_reeds)  # errors first


def test_a_remark_in_a_row_by_itself_is_no_reed():
    alone = {**dict.fromkeys(REED), "reed": None, "note": "order thread"}
    made = bench(reeds=[{}, alone, {"note": "fine"}])
    assert made.tables["reeds"].index.tolist() == [2, 4]
    assert named(made, "note")[["row", "value", "severity"]].values.tolist() == [
        [3, "order thread", "warning"]
    ]
    assert made.findings.query("severity == 'error'").empty
    batch = {"date": None, "maker": None, "stage": None, "reeds": "1; 2", "minutes": 30}
    assert len(bench(sittings=[batch]).tables["sittings"]) == 1  # these are no remarks


def test_thousands_of_one_fault_are_counted_rather_than_named():
    reeds = pd.DataFrame({"reed": np.arange(5000).astype(str), "tied_mm": "long"})
    found = Bench.from_tables({"reeds": reeds}).findings.query("column == 'tied_mm'")
    assert len(found) == 2001
    (counted,) = found.loc[found["row"].isna(), "problem"]
    assert counted == "has 3,000 more of these"


def test_a_makers_own_heading_stands_beside_the_column():
    settings = Settings(columns={"reeds": {"Preis": "sold_for", "Kundin": ""}})
    made = bench(reeds=[{"sold_for": "viel", "tied_mm": "lang"}], settings=settings)
    told = "\n".join(finding_lines(made.findings, settings))
    assert "error, row 2, sold_for (Preis): 'viel'" in told
    assert "error, row 2, tied_mm: 'lang'" in told


def test_alike_findings_share_a_line():
    made = bench(reeds=[{"tied_on": "03/04/2021"}] * 8 + [{}])
    lines = [line for line in finding_lines(made.findings) if "date_order" in line]
    assert len(lines) == 1
    assert "rows 2, 3, 4, 5, 6 and 3 more, tied_on: '03/04/2021' could be" in lines[0]


def test_normal_practice_is_left_in_peace():
    """Two hundred reeds of both styles, drawn within the ranges of the trade."""
    rng = np.random.default_rng(7)
    n = 200
    short = rng.random(n) < 0.4
    tied = pd.Timestamp("2023-02-01") + pd.to_timedelta(np.sort(rng.integers(0, 700, n)), unit="D")
    wait = pd.to_timedelta(rng.integers(3, 30, n), unit="D")
    reeds = pd.DataFrame(
        {
            "reed": [f"R{i:03}" for i in range(n)],
            "lot": rng.choice(["L1", "L2"], n),
            "maker": rng.choice(["KL", "MR"], n),
            "tied_on": tied,
            "outcome": rng.choice(["given_up", "reject", "playable", "good"], n),
            "style": np.where(short, "short", "long"),
            "staple_mm": rng.choice([45, 46, 47, 48], n),
            "tied_mm": np.where(short, rng.uniform(73, 76, n), rng.uniform(71, 74, n)).round(1),
            "finished_length_mm": np.where(
                short, rng.uniform(71, 72.9, n), rng.uniform(69, 70.9, n)
            ).round(1),
            "rough_on": tied + pd.Timedelta(days=1),
            "rough_tip_from_end_mm": rng.uniform(5, 6, n),
            "rough_heart_from_end_mm": rng.uniform(9, 11, n),
            "rough_back_from_thread_mm": rng.uniform(3, 5, n),
            "rough_min": rng.uniform(8, 20, n).round(),
            "finish_min": rng.uniform(8, 25, n).round(),
            "rh_pct": rng.uniform(25, 75, n).round(),
            "temp_c": rng.uniform(16, 26, n).round(1),
            "judged_on": tied + wait,
        }
    )
    lots = pd.DataFrame(
        {
            "lot": ["L1", "L2"],
            "supplier": ["Ochre", "Umber"],
            "bought_on": "2023-01-10",
            "diameter_min_mm": 10.0,
            "diameter_max_mm": 10.5,
            "quantity": 45,
            "quantity_unit": "tube",
            "form": "tube",
        }
    )
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(60)],
            "lot": "L1",
            "measured_state": "gouged",
            "diameter_mm": rng.uniform(9.5, 11.5, 60),
            "length_mm": rng.uniform(73, 76, 60),
            "gouge_centre_mm": rng.uniform(0.57, 0.61, 60),
            "gouge_left_mm": rng.uniform(0.45, 0.52, 60),
            "gouge_right_mm": rng.uniform(0.45, 0.52, 60),
            "gouge_side_at_mm": 3.5,
            "mass_g": rng.uniform(0.15, 0.28, 60),
            "density_g_cm3": rng.uniform(0.4, 0.7, 60),
        }
    )
    made = Bench.from_tables({"lots": lots, "reeds": reeds, "pieces": pieces})
    assert made.findings.empty, made.findings.to_string()


def test_every_word_of_a_finding_is_for_a_person():
    """No finding shows a Python object, and each says what to do."""
    made = bench(
        lots=[{"price": "cheap", "bought_on": "1.2.2021"}],
        reeds=[{"tied_mm": 2.83, "outcome": "godo", "rough_min": "later", "lot": "L7"}],
        pieces=[{"mass_g": 215, "wet": "perhaps", "rh_pct": 0.4}],
    )
    text = " ".join(made.findings[["problem", "fix"]].agg(" ".join, axis=1))
    assert not any(sign in text for sign in ("nan", "None", "Timestamp", "dtype", "<NA>", "{", "}"))
    assert made.findings["fix"].str.len().gt(5).all()
    assert set(made.findings["table"]) <= set(TABLES)


def test_a_harvest_after_the_purchase_and_a_year_that_is_none():
    lots = [{"harvest_year": 2022}, {"lot": "L2", "harvest_year": 2020.5}, {"lot": "L3"}]
    made = bench(lots=lots)
    assert named(made, "bought_on", "lots")["row"].tolist() == [2]
    assert named(made, "bought_on", "lots")["value"].tolist() == ["2021-01-10"]
