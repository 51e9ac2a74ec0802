"""From a maker's own sheet to a bench that answers, with the sheet untouched."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

import reedlab as rl
from reedlab.records.adopt import adopting
from reedlab.records.adopt.finding_tables import read_parts
from reedlab.records.adopt.guessing_columns import columns_of
from reedlab.records.tables import TABLES

TODAY = "2024-12-01"
SHEETS = ["Rohrbuch.xlsx", "Rohrbuch.ods", "Rohrbuch.xls", "reed log.csv", "ticks.tsv"]
STORED = Path(__file__).parents[2] / "reference" / "spreadsheets"


def answered(draft, **answers):
    """Return a draft in which every question whose key is named has its answer."""
    for key, value in answers.items():
        (line,) = [line for line in draft.questions if line.path[-1] == key.replace("_", "-")
                   or line.path[-1] == key]  # fmt: skip
        draft = draft.answered(line, value)
    return draft


def means(adopted, section):
    """Return what the words of a section mean."""
    rows = adopted.mapping[adopted.mapping["section"] == section]
    return dict(zip(rows["yours"], rows["means"]))


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_reads_as_a_person_reads_it(sheet, truth, name):
    path = sheet(name)
    before = path.read_bytes()
    draft = adopting.begin(path, today=TODAY)
    answers = {"so_so": "playable"} if name == "reed log.csv" else {}
    adopted = answered(draft, **answers).write()
    bench = rl.open_bench(adopted.folder, today=TODAY)

    reeds = bench.tables["reeds"].dropna(subset="tied_on").set_index("reed")
    wanted = pd.DataFrame(truth.REEDS).set_index("label")
    assert [*reeds.index] == [*wanted.index]
    assert [day.date() for day in reeds["tied_on"]] == [*wanted["tied_on"]]
    assert [*reeds["lot"]] == [*wanted["lot"]]
    assert [*reeds["outcome"].astype(object).fillna("")] == [*wanted["outcome"]]
    if name != "ticks.tsv":
        assert [*reeds["opening"]] == [*wanted["opening"]]
        assert [*reeds["rough_min"]] == [*wanted["rough_min"]]
        gouge = bench.reeds.set_index("reed")["gouge_centre_mm"].dropna()
        assert [*gouge] == [*wanted["gouge_mm"]]
    lots = bench.tables["lots"].set_index("lot")["supplier"]
    assert dict(lots.sort_index()) == truth.SUPPLIERS

    assert path.read_bytes() == before
    assert {*path.parent.iterdir()} == {adopted.folder, path}
    assert [file.name for file in adopted.folder.iterdir()] == ["bench.toml"]


def test_every_judged_reed_reaches_the_ranking(sheet, truth):
    adopted = rl.adopt(sheet("Rohrbuch.xlsx"), today=TODAY)
    bench = rl.open_bench(adopted.folder, today=TODAY)
    answer = rl.suppliers(bench, seed=1)
    judged = [reed for reed in truth.REEDS if reed.outcome]
    assert answer.verdict in rl.Verdict
    assert answer.table["reeds"].sum() == len(judged)
    good = pd.Series([truth.SUPPLIERS[reed.lot] for reed in judged if reed.outcome == "good"])
    table = answer.table.set_index("supplier")
    # The share of good reeds is pulled towards the others, and keeps the order of the counts.
    shares = good.value_counts() / table["reeds"]
    assert [*table["success"].sort_values().index] == [*shares.sort_values().index]


def test_a_german_folder_of_csv_files(tmp_path):
    """Headings and meanings as tests/reference/spreadsheets.py gave them to LibreOffice."""
    sheets = tmp_path / "Rohre"
    sheets.mkdir()
    for file in (STORED / "semicolon_windows1252").glob("*.csv"):
        shutil.copy(file, sheets)
    adopted = rl.adopt(sheets, today=TODAY)
    assert means(adopted, "files") == {
        f"{sheets.resolve()}/{name}.csv": table
        for name, table in (("Einkauf", "lots"), ("Holz", "pieces"), ("Rohre", "reeds"))
    }
    assert means(adopted, "columns.lots") == {
        "Los": "lot", "Händler": "supplier", "Gekauft am": "bought_on", "Menge": "quantity",
        "Einheit": "quantity_unit", "Preis": "?", "Notiz": "note",
    }  # fmt: skip
    assert means(adopted, "columns.pieces") == {
        "Stück": "piece", "Los": "lot", "nass": "wet", "Mitte [mm]": "gouge_centre_mm",
        "Gewicht (g)": "mass_g", "Feuchte (%)": "rh_pct", "Wärme": "temp_c",
    }  # fmt: skip
    assert means(adopted, "columns.reeds") == {
        "Rohr": "reed", "Los": "lot", "Wer": "maker", "Gebunden am": "tied_on",
        "Ergebnis": "outcome", "Länge (mm)": "?", "Minuten": "?", "Geprüft am": "judged_on",
        "Notiz": "note",
    }  # fmt: skip
    assert means(adopted, "words.outcome") == {"gut": "good", "Ausschuss": "reject"}
    assert means(adopted, "words.wet") == {"ja": "yes", "nein": "no"}
    bench = rl.open_bench(adopted.folder, today=TODAY)
    assert [*bench.tables["pieces"]["mass_g"]] == [0.215, 0.2]
    assert [*bench.tables["reeds"]["outcome"].astype(object).fillna("")] == ["good", "reject", ""]


def test_adopted_twice_the_bytes_are_the_same(sheet):
    path = sheet("reed log.csv")
    first = rl.adopt(path, today=TODAY)
    written = (first.folder / "bench.toml").read_bytes()
    for again in (path, first.folder):
        assert rl.adopt(again, today=TODAY).folder == first.folder
        assert (first.folder / "bench.toml").read_bytes() == written
    elsewhere = rl.adopt(path, first.folder.with_name("other"), today=TODAY)
    assert (elsewhere.folder / "bench.toml").read_bytes() == written


def test_again_it_keeps_every_answer_and_asks_what_is_new(sheet):
    path = sheet("reed log.csv")
    file = rl.adopt(path, today=TODAY).folder / "bench.toml"
    hers = file.read_text("utf-8")
    hers = hers.replace('"so-so" = "?"', '"so-so" = "reject"').replace(
        '"Remarks" = "note" ', '"Remarks" = "" # mine alone'
    )
    hers = hers.replace("format = 1", 'format = 1\ncurrency = "EUR"  # as always')
    file.write_text(hers, "utf-8")
    text = path.read_bytes().decode("latin-1") + "\r\n85;30/06/2024;L1;Ocker;0,59;30;small;meh;"
    path.write_bytes(text.encode("latin-1"))

    draft = adopting.begin(file.parent, today=TODAY)
    assert [line.path[-1] for line in draft.questions] == ["when_old_and_empty", "meh"]
    changed = [line for line in draft.difference().splitlines() if line[:1] in "+-"][2:]
    assert len(changed) == 1 and changed[0].startswith('+"meh" = "?"')
    draft.write()
    assert set(hers.splitlines()) <= set(file.read_text("utf-8").splitlines())

    answered(draft, meh="playable").write()
    assert '"meh" = "playable"' in file.read_text("utf-8")
    bench = rl.open_bench(file.parent, today=TODAY)
    outcomes = bench.tables["reeds"].set_index("reed")["outcome"].astype(object)
    assert outcomes["85"] == "playable" and (outcomes == "reject").any()


def test_questions_come_first_for_most_reeds(sheet):
    draft = adopting.begin(sheet("reed log.csv"), today=TODAY)
    assert [(line.path[-1], line.keeps_out) for line in draft.questions] == [
        ("when_old_and_empty", 6), ("so-so", 4),
    ]  # fmt: skip
    assert {c.value for c in draft.questions[1].choices} == {
        "good", "playable", "reject", "given_up", "broken",
    }  # fmt: skip


def test_sheets_of_several_years_are_one_table(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    for year, heads in ((2023, ["No", "Tied", "Lot", "Result"]),
                        (2024, ["No", "Result", "Tied", "Lot", "Crow"])):  # fmt: skip
        sheet = book.create_sheet(f"Reeds {year}")
        sheet.append(heads)
        for i in range(3):
            row = {"No": f"{year}-{i}", "Tied": f"{year}-03-0{i + 1}", "Lot": "L1",
                   "Result": "good", "Crow": "high"}  # fmt: skip
            sheet.append([row[head] for head in heads])
    book.remove(book["Sheet"])
    book.save(tmp_path / "years.xlsx")
    adopted = rl.adopt(tmp_path / "years.xlsx", today=TODAY)
    bench = rl.open_bench(adopted.folder, today=TODAY)
    reeds = bench.tables["reeds"]
    assert [*reeds["reed"]] == [f"{year}-{i}" for year in (2023, 2024) for i in range(3)]
    assert [*reeds.index] == [2, 3, 4, 1002, 1003, 1004]
    assert [*reeds["crow"].astype(object).fillna("")] == ["", "", "", "sharp", "sharp", "sharp"]
    assert (reeds["outcome"] == "good").all()


def test_reeds_without_labels_are_called_by_their_rows(tmp_path):
    path = tmp_path / "plain.csv"
    path.write_text("Tied on,Lot,Result\n2024-03-05,L1,good\n2024-03-06,L1,bin\n", "utf-8")
    bench = rl.open_bench(rl.adopt(path, today=TODAY).folder, today=TODAY)
    assert [*bench.tables["reeds"]["reed"]] == ["row 2", "row 3"]
    assert [*bench.tables["reeds"]["outcome"]] == ["good", "reject"]


def test_the_result_can_be_looked_at(sheet):
    adopted = rl.adopt(sheet("reed log.csv"), today=TODAY)
    assert "'so-so'" in str(adopted) and "so-so" in adopted._repr_html_()
    assert len(adopted.questions) == 2
    assert (adopted.mapping["means"] == "?").sum() == 2
    assert [*adopted.mapping] == ["section", "yours", "means", "why"]


def test_a_sheet_is_read_where_nothing_is_guessed(tmp_path):
    path = tmp_path / "odd.csv"
    path.write_text("alpha;beta\neins;zwei\ndrei;vier\n", "utf-8")
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "files") == {str(path.resolve()): "?"}
    with pytest.raises(rl.RecordError, match=r"lines of these sheets are open.*'\.\./odd\.csv'"):
        rl.open_bench(adopted.folder)
    assert rl.adopt(adopted.folder, today=TODAY).questions == adopted.questions
    file = adopted.folder / "bench.toml"
    file.write_text(file.read_text("utf-8").replace('= "?"', '= "reeds"'), "utf-8")
    again = rl.adopt(adopted.folder, today=TODAY)
    assert means(again, "columns.reeds") == {"alpha": "?", "beta": "?"}


def test_a_misspelt_heading_is_read_and_said(tmp_path):
    path = tmp_path / "reeds.csv"
    path.write_text(
        "Nr;Gebundn am;Ergebniss;Hobelng;Lokomotive\n"
        "1;5.3.2024;gut;0,58;7\n2;6.3.2024;gut;0,59;8\n",
        "utf-8",
    )
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "columns.reeds") == {
        "Nr": "reed", "Gebundn am": "tied_on", "Ergebniss": "outcome", "Hobelng": "gouge_centre_mm",
        "Lokomotive": "?",
    }  # fmt: skip
    why = dict(zip(adopted.mapping["yours"], adopted.mapping["why"]))
    assert "spelt nearly as 'ergebnis'" in why["Ergebniss"]
    assert "such as 7, 8: not read until you name a column" in why["Lokomotive"]


@pytest.mark.parametrize(
    ("days", "order"),
    [
        (["05.03.2024", "30.03.2024"], "day-month"),
        (["05/03/2024", "30/03/2024"], "day-month"),
        (["05/03/2024", "03/30/2024"], "month-day"),
        (["05/03/2024", "06/03/2024"], "?"),
        (["30/03/2024", "03/30/2024", "05/03/2024"], "?"),
        (["05.03.2024", "06.03.2024"], "day-month"),  # with points the day comes first everywhere
        (["2024-03-05", "5 Mar 2024"], None),
        (["05/05/2024", "06/06/2024"], None),  # one day either way
    ],
)
def test_the_days_of_a_column_settle_their_order_together(tmp_path, days, order):
    path = tmp_path / "reeds.csv"
    rows = [f"{at};{day};good" for at, day in enumerate(days)]
    path.write_text("\n".join(["No;Tied on;Result", *rows]), "utf-8")
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "").get("date_order") == order


@pytest.mark.parametrize(
    ("heading", "cells", "column"),
    [
        ("Tied", ["5 Mar 2024", "6 Mar 2024"], "tied_on"),
        ("Tied (mm)", ["72.5", "73"], "tied_mm"),
        ("Price", ["24", "24"], "?"),
        ("Preis", ["24", "24"], "?"),
        ("Sold for", ["24", "25"], "sold_for"),
        ("Length", ["72", "71"], "?"),
        ("Minutes", ["35", "40"], "?"),
        ("Gouge", ["0.58", "0.59"], "gouge_centre_mm"),
        ("Gouge", ["fine", "coarse"], "?"),
        ("Density", ["0,52", "0,55"], "density_g_cm3"),
        ("Density", ["120", "122"], "?"),  # impossible, so it is something else
        ("Härte", ["11", "12"], "hardness"),
        ("Luftfeuchte %", ["45", "50"], "rh_pct"),
        ("Dichte g/cm3", ["0,52", "0,55"], "density_g_cm3"),
        ("Hobel (mm)", ["0,58", "0,60"], "gouge_centre_mm"),
        ("Hobel", ["A", "B"], "gouger"),
        ("Gesamtzeit (min)", ["50", "55"], "scrape_min"),
        ("Note", ["flat", "for M."], "note"),
    ],
)
def test_a_heading_is_what_its_cells_are_or_it_is_asked(tmp_path, heading, cells, column):
    path = tmp_path / "reeds.csv"
    rows = [f"{at}\tgood\t2024-01-0{at + 1}\t{cell}" for at, cell in enumerate(cells)]
    path.write_text("\n".join([f"No\tResult\tFinished on\t{heading}", *rows]), "utf-8")
    assert means(rl.adopt(path, today=TODAY), "columns.reeds")[heading] == column


def test_a_unit_in_a_heading_leaves_out_columns_of_another_unit(tmp_path):
    units = {
        "geschabt (Min)": "min", "Wert (EUR)": "money", "Anteil [%]": "%", "Last (g)": "g",
        "Lage in mm": "mm",
    }  # fmt: skip
    cells = ["35", "35", "0.5", "0.5"]  # they repeat, as the labels of lots do
    path = tmp_path / "reeds.csv"
    rows = ["\t".join([str(at), "good", *[cell] * len(units)]) for at, cell in enumerate(cells)]
    path.write_text("\n".join(["\t".join(["No", "Result", *units]), *rows]), "utf-8")
    lines = {line.path[-1]: line for line in adopting.begin(path, today=TODAY).lines}
    for heading, unit in units.items():
        columns = [columns_of("reeds")[c.value] for c in lines[heading].choices if c.value]
        assert columns or unit == "mm"  # too many to offer
        for column in columns:
            assert (column.unit or {"minutes": "min"}.get(column.kind, column.kind)) == unit


def test_a_grade_by_a_german_heading_is_asked_and_months_below_ditto_marks_are_days(tmp_path):
    path = tmp_path / "rohre.csv"
    rows = ["1,B7,März 2024,gut", '2,"""","""",schlecht', '3,B8,"""",gut', '4,"""",April 2024,gut']
    path.write_text("\n".join(["Nr,Los,Gebunden am,Note", *rows]), "utf-8")
    draft = adopting.begin(path, today=TODAY)
    (asked,) = [line for line in draft.questions if line.path[-1] == "Note"]
    assert [choice.value for choice in asked.choices] == ["outcome", "grade", "note", ""]
    assert means(draft.write(), "columns.reeds")["Gebunden am"] == "tied_on"


def test_marks_below_a_german_heading_are_asked(tmp_path):
    rows = "".join(f"{i},B7,{i}.3.2024,{i % 6 + 1}\n" for i in range(1, 20))
    (tmp_path / "rohre.csv").write_text(f"Nr,Los,Gebunden am,Note\n{rows}", "utf-8")
    draft = adopting.begin(tmp_path / "rohre.csv", today=TODAY)
    assert draft.questions[0].path == ("columns", "reeds", "Note")


def test_a_row_of_reeds_is_no_row_of_headings(tmp_path):
    rows = "".join(f"{i},L1,2024-03-{i:02},{'bin' if i % 2 else 'good'}\n" for i in range(1, 20))
    (tmp_path / "mine.csv").write_text(rows)
    with pytest.raises(rl.RecordError, match="give each column a heading"):
        rl.adopt(tmp_path / "mine.csv", tmp_path / "bench")


def test_a_count_of_pieces_beside_counts_of_outcomes_is_what_was_tied(tmp_path):
    path = tmp_path / "kladde.csv"
    rows = ["H1;8;4;2;2", "H2;6;3;2;1"]
    path.write_text("\n".join(["Los;Stück;konzerttauglich;Übung;weggeworfen", *rows]), "utf-8")
    mapped = means(rl.adopt(path, today=TODAY), "columns.reeds")
    assert (mapped["Stück"], mapped["konzerttauglich"]) == ("tied_count", "good_count")


def test_titles_above_and_sums_below_do_not_hide_the_headings(sheet):
    parts, _ = read_parts(sheet("Rohrbuch.xlsx"))
    assert parts[0].headings[:4] == ("Nr.", "Gebunden am", "Charge", "Hobelung (mm)")
    assert [part.sheet for part in parts if part.headings] == ["Rohre 2024", "Holz"]


NAMES = ["Adler", "Berg", "Conrad", "Dahl", "Ebner", "Fink"]


def test_headings_again_and_lots_below_are_asked_nothing(tmp_path):
    reeds = "Reed,Lot,Tied,Outcome,Rough\n" + "1,L1,2024-03-05,good,30\n2,L1,2024-03-06,bin,31\n"
    lots = "Lot,Seller,Bought,Price,Pieces\nL1,Ochre,2024-01-03,80,40\n"
    (tmp_path / "mine.csv").write_text(f"{reeds}{reeds}\n{lots}")
    adopted = rl.adopt(tmp_path / "mine.csv", tmp_path / "bench")
    assert adopted.questions == ()
    assert means(adopted, "words.outcome") == {"bin": "reject"}
    assert means(adopted, "outcome") == {}


def test_cane_by_its_number_in_a_sheet_of_purchases_and_months_beside_days(tmp_path):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "Einkauf.csv").write_text(
        "Nr.;Händler;gekauft am;Stücke\nA;Rot;3.9.2023;40\nB;Weiß;4.9.2023;50\n", "utf-8"
    )
    (tmp_path / "sheets" / "Serien.csv").write_text(
        "Serie;Holz;Datum;gebunden;gut;Ausschuss;offen\n1;A;Okt 23;10;6;4;0\n"
        "2;A;30.11.2023;10;7;2;1\n3;B;März 2024;10;5;5;0\nSumme;;;30;18;11;1\n", "utf-8"
    )  # fmt: skip
    adopted = rl.adopt(tmp_path / "sheets", tmp_path / "bench", today=TODAY)
    assert means(adopted, "columns.lots")["Nr."] == "lot"
    assert means(adopted, "columns.lots")["Stücke"] == "quantity"
    given = means(adopted, "columns.reeds")
    assert [given[h] for h in ("Holz", "Datum", "offen")] == ["lot", "tied_on", "pending_count"]
    reeds = rl.open_bench(adopted.folder, today=TODAY).reeds
    assert reeds["supplier"].value_counts().to_dict() == {"Rot": 20, "Weiß": 10}
    assert reeds["outcome"].value_counts().to_dict() == {"good": 18, "reject": 11} | {
        word: 0 for word in ("given_up", "broken", "playable")
    }


def test_months_on_sheets_of_their_own_and_a_table_of_cane_beside(tmp_path):
    rows = "1;Rot;R1;3.1.2024;Tonne;;R1;Rot;40\n2;Rot;R1;4.1.2024;Herr Berg;;W1;Weiß;50\n"
    heads = "Nr;Holz von;Charge;Tag;Wohin;;Charge;Händler;Stücke\n"
    (tmp_path / "Januar.csv").write_text(f"Januar\n{heads}{rows}", "utf-8")
    adopted = rl.adopt(tmp_path / "Januar.csv", tmp_path / "bench", today=TODAY)
    assert means(adopted, "files") == {str(tmp_path / "Januar.csv"): "reeds"}
    given = means(adopted, "columns.reeds")
    assert {*given} == {"Nr", "Holz von", "Charge", "Tag", "Wohin"}  # and none of the cane
    assert given["Wohin"] == "outcome"


def test_prices_in_another_currency_say_which(tmp_path):
    rows = "".join(f"{i},Tan,1/{i}/2024,{'$25' if i % 2 else ''}\n" for i in range(1, 21))
    (tmp_path / "reeds.csv").write_text(f"Reed #,Vendor,Date tied,Sold for\n{rows}")
    adopted = rl.adopt(tmp_path / "reeds.csv", tmp_path / "bench", today=TODAY)
    assert means(adopted, "costs") == {"currency": "$"}
    bench = rl.open_bench(adopted.folder, today=TODAY)
    assert bench.tables["reeds"]["sold_for"].dropna().tolist() == [25] * 10
    again = rl.adopt(adopted.folder, today=TODAY)
    assert means(again, "costs") == {"currency": "$"}


def test_prices_are_sales_and_names_are_asked_about_once(tmp_path):
    path = tmp_path / "reeds.csv"
    results = [*NAMES, "24,50", "30 EUR", "bin", "-", "goood", "sold after all"]
    rows = [f"{at};2024-03-01;L1;{result}" for at, result in enumerate(results)]
    path.write_text("\n".join(["No;Tied on;Lot;Result", *rows]), "utf-8")
    draft = adopting.begin(path, today=TODAY)
    assert draft.questions[0].path == ("outcome", "a_name")
    asked = answered(draft, a_name="good")
    assert {line.path[-1]: line.why.partition("(")[2] for line in asked.questions} == {
        "goood": "perhaps good)", "sold after all": "perhaps good)",
    }  # fmt: skip
    adopted = asked.write()
    reeds = rl.open_bench(adopted.folder, today=TODAY).tables["reeds"]
    outcomes = [*reeds["outcome"].astype(object).fillna("")]
    assert outcomes == ["good"] * 8 + ["reject"] * 2 + [""] * 2
    # Asked singly, each name is a question of its own.
    singly = answered(draft, a_name="")
    assert {*NAMES} <= {line.path[-1] for line in singly.questions}


def test_a_supplier_without_a_lot_is_one_lot(tmp_path):
    path = tmp_path / "reeds.csv"
    path.write_text(
        "No;Tied on;Supplier;Result\n1;2024-03-05;Blue;good\n2;2024-03-06;Red;bin\n", "utf-8"
    )
    bench = rl.open_bench(rl.adopt(path, today=TODAY).folder, today=TODAY)
    assert [*bench.reeds["lot"]] == [*bench.reeds["supplier"]] == ["Blue", "Red"]
    (said,) = bench.findings.query("column == 'lot' and severity == 'warning'")["problem"]
    assert "one supplier counts as one lot" in said


@pytest.mark.skipif("tied_count" not in TABLES["reeds"].columns, reason="rows are single reeds")
def test_a_row_that_is_a_batch(tmp_path):
    path = tmp_path / "batches.csv"
    path.write_text(
        "My batches\nLot,Supplier,Date,Tied,Good,Pupil,Bin\n"
        "L21,Blue,2024-03-05,10,6,2,2\nL22,Red,2024-03-12,8,5,1,2\n",
        "utf-8",
    )
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "columns.reeds") == {
        "Lot": "lot", "Supplier": "supplier", "Date": "tied_on", "Tied": "tied_count",
        "Good": "good_count", "Pupil": "playable_count", "Bin": "reject_count",
    }  # fmt: skip
    reeds = rl.open_bench(adopted.folder, today=TODAY).reeds
    counts = reeds.groupby(["supplier", "outcome"], observed=True).size()
    assert dict(counts) == {
        ("Blue", "good"): 6, ("Blue", "playable"): 2, ("Blue", "reject"): 2,
        ("Red", "good"): 5, ("Red", "playable"): 1, ("Red", "reject"): 2,
    }  # fmt: skip


def test_counts_of_a_batch_by_words_for_outcomes_are_read_and_others_are_asked(tmp_path):
    path = tmp_path / "batches.csv"
    path.write_text(
        "Lot,Supplier,Date,Tied,Good,So-so,Bad,Clouds\n"
        "L21,Blue,2024-03-05,10,6,3,1,7\nL22,Red,2024-03-12,8,5,2,1,8\n",
        "utf-8",
    )
    draft = adopting.begin(path, today=TODAY)
    (question,) = draft.questions
    assert question.path[-1] == "So-so" and question.keeps_out == 2
    offered = [choice.value for choice in question.choices]
    assert offered == ["playable_count", "broken_count", "given_up_count", "pending_count", ""]

    folder = draft.write().folder
    errors = rl.open_bench(folder, today=TODAY).findings.query("severity == 'error'")
    assert all(errors["problem"].str.endswith("; not read: 'So-so'"))
    assert [*errors["row"]] == [2, 3]

    adopted = adopting.begin(folder, today=TODAY).answered(question, "playable_count").write()
    reeds = rl.open_bench(adopted.folder, today=TODAY).reeds
    counts = reeds.groupby(["supplier", "outcome"], observed=True).size()
    assert dict(counts) == {
        ("Blue", "good"): 6, ("Blue", "playable"): 3, ("Blue", "reject"): 1,
        ("Red", "good"): 5, ("Red", "playable"): 2, ("Red", "reject"): 1,
    }  # fmt: skip


@pytest.mark.parametrize("column", ["", "outcome"])
def test_a_batch_in_words_is_said_once_and_asked_nothing(tmp_path, column):
    path = tmp_path / "batches.csv"
    path.write_text(
        "Date;Cane lot;Bought from;How it went\n"
        "2024-03-05;L1;Blue;10 tied, 6 good, 2 so-so, 2 bad\n"
        "2024-03-12;L2;Red;8 tied, 5 good, 3 bad\n2024-03-20;L2;Red;8 tied and 5 good\n",
        "utf-8",
    )
    folder = adopting.begin(path, today=TODAY).write().folder
    file = folder / "bench.toml"
    text = file.read_text("utf-8")
    assert '"How it went" = ""' in text
    file.write_text(text.replace('"How it went" = ""', f'"How it went" = "{column}"'), "utf-8")
    draft = adopting.begin(folder, today=TODAY)
    assert draft.questions == []
    (said,) = draft.left_out
    assert said.startswith("batches.csv, row 2, 'How it went': one cell holds a whole batch")
    bench = rl.open_bench(folder, today=TODAY)
    errors = bench.findings.query("severity == 'error'")
    assert [*errors["row"]] == [2, 3, 4]
    assert all(errors["problem"].str.startswith("is a whole batch in one cell"))
    assert {*errors["fix"]} == {"put tied, good, playable and reject into columns of their own"}
    if not column:  # its rows are no single reeds that wait for their outcome
        assert bench.tables["reeds"].empty
        assert {*bench.skipped["reason"]} == {"batch in words"}


def test_words_are_counted_whatever_their_case_and_a_dash_is_lost_in_outcomes_alone(tmp_path):
    path = tmp_path / "reeds.csv"
    cells = ["meh;-", "Meh;zu", "meh;-", "-;-", "n/a;", "--;offen", "Gut;?"]
    rows = [f"{at};2024-03-01;{cell}" for at, cell in enumerate(cells)]
    path.write_text("\n".join(["Nr;Gebunden am;Ergebnis;Öffnung", *rows]), "utf-8")
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "words.outcome") == {
        "meh": "?", "-": "reject", "--": "reject", "Gut": "good",
    }  # fmt: skip
    assert means(adopted, "words.opening") == {"zu": "small", "offen": "large"}
    why = dict(zip(adopted.mapping["yours"], adopted.mapping["why"]))
    assert why["meh"].startswith("3 times: good, playable")


def test_a_sign_is_a_heading_and_a_name_may_follow_a_word(tmp_path):
    path = tmp_path / "reeds.csv"
    results = ["Sold - Anna", "pupil Tim", "sold to Meyer", "sold - cracked", "gone to Ben"]
    rows = [f"{at + 7};2024-03-01;{result};2{at}" for at, result in enumerate(results)]
    path.write_text("\n".join(["#;When tied;What became of it?;Scrape mins", *rows]), "utf-8")
    adopted = rl.adopt(path, today=TODAY)
    assert means(adopted, "columns.reeds") == {
        "#": "reed", "When tied": "tied_on", "What became of it?": "outcome", "Scrape mins": "?",
    }  # fmt: skip
    assert means(adopted, "words.outcome") == {
        "Sold - Anna": "good", "pupil Tim": "playable", "sold to Meyer": "good",
        "sold - cracked": "?", "gone to Ben": "?",
    }  # fmt: skip
    assert any("rough_min" in why for why in adopted.mapping["why"])
    bench = rl.open_bench(adopted.folder, today=TODAY)
    assert [*bench.tables["reeds"]["reed"]] == ["7", "8", "9", "10", "11"]


def test_cane_by_the_kilogram_and_per_fifty_costs_what_the_sheet_says(tmp_path):
    lots = tmp_path / "lots.csv"
    lots.write_text(
        "Lot;Supplier;Quantity;Unit;Preis pro kg;Price per 50 pieces;Price on invoice\n"
        "L1;Blue;0,5;kg;120;;1\nL2;Red;100;pieces;;95;2\nL3;Red;250 g;;80;;3\n",
        "utf-8",
    )
    draft = adopting.begin(lots, today=TODAY)
    (asked,) = draft.questions
    assert asked.path[-1] == "Price on invoice"
    assert [choice.value for choice in asked.choices] == ["price", "freight", ""]
    bench = rl.open_bench(draft.write().folder, today=TODAY)
    assert bench.findings.query("severity == 'error' and table == 'lots'").empty
    read = bench.tables["lots"].set_index("lot")
    assert [*read["quantity"]] == [500, 100, 250]
    assert [*read["quantity_unit"]] == ["g", "piece", "g"]
    assert [*read["price"].fillna(0)] == [60, 0, 20]
    assert read.loc["L2", "price_per_piece"] == 1.9
    assert [*bench.losses["cost_landed"].fillna(0)] == [60, 190, 20]


def test_a_row_of_groups_above_the_headings_is_none(tmp_path):
    path = tmp_path / "book.csv"
    path.write_text("Trska;;;Delo;\nIme;Vrsta;Opis;Barva;Opomba\na;b;c;d;1\ne;f;g;h;2\n", "utf-8")
    (part,), _ = read_parts(path)
    assert part.headings == ("Ime", "Vrsta", "Opis", "Barva", "Opomba")


def test_a_dutch_book_is_read_and_its_totals_are_none(tmp_path):
    path = tmp_path / "Rietenboek.csv"
    path.write_text(
        ";;Hout;;Werk\nRietnr.;Opgebonden op;Partij;Hout van;Luchtvochtigheid;Resultaat\n"
        "1;2024-03-05;R1;Rood;46%;verkocht\n2;2024-03-06;R1;Rood;52%;weggegooid\n"
        "3;2024-03-07;B1;Blauw;52%;oefenriet\nTotaal;;;;;\nGemiddeld;;;;50;\n",
        "utf-8",
    )
    adopted = rl.adopt(path, today=TODAY)
    assert adopted.questions == ()
    bench = rl.open_bench(adopted.folder, today=TODAY)
    assert [*bench.reeds["outcome"]] == ["good", "reject", "playable"]
    assert [*bench.reeds["rh_pct"]] == [46, 52, 52]
    assert {*bench.skipped["reason"]} == {"total", "average"}


@pytest.mark.parametrize("word", ["Totaal", "Totalt", "I alt", "Yhteensä", "Razem:", "Ukupno"])
def test_sums_in_other_languages_are_no_reeds(tmp_path, word):
    (tmp_path / "reeds.csv").write_text(
        f"reed,lot,tied_on,outcome\nR1,L1,2024-03-05,good\n{word},,,\n", "utf-8"
    )
    bench = rl.open_bench(tmp_path, today=TODAY)
    assert bench.skipped.values.tolist() == [["reeds", 3, "total"]]


@pytest.mark.parametrize(
    ("cells", "offered"),
    [
        (["46%", "52 %", "46%", "52 %"], ["rh_pct"]),
        (["Rdeča", "Modra", "Rdeča", "Modra"], ["lot", "supplier", "maker", "opening", "style"]),
        (
            ["35", "41", "35", "41"],
            ["lot", "rough_min", "finish_min", "scrape_min", "rh_pct", "temp_c"],
        ),
        (["2024-03-05", "2024-03-06"] * 2, ["tied_on", "finished_on", "judged_on", "sold_on"]),
        (["0.61", "0.59", "0.61", "0.59"], None),
    ],
)
def test_an_unknown_heading_offers_what_its_cells_may_be(tmp_path, cells, offered):
    path = tmp_path / "reeds.csv"
    rows = "".join(f"{at};good;{cell}\n" for at, cell in enumerate(cells, start=1))
    path.write_text(f"Reed;Result;Neznano\n{rows}", "utf-8")
    asked = [q for q in adopting.begin(path, today=TODAY).questions if q.path[-1] == "Neznano"]
    assert [[choice.value for choice in q.choices] for q in asked] == (
        [] if offered is None else [[*offered, ""]]
    )


def test_prices_for_other_numbers_of_pieces_are_not_stacked(tmp_path):
    sheets = tmp_path / "sheets"
    sheets.mkdir()
    for year, pieces, price in ((2023, 50, 95), (2024, 100, 180)):
        (sheets / f"lots {year}.csv").write_text(
            f"Lot;Supplier;Quantity;Price per {pieces}\nL{year};Blue;100 pieces;{price}\n", "utf-8"
        )
    adopted = rl.adopt(sheets, today=TODAY)
    bench = rl.open_bench(adopted.folder, today=TODAY)
    (error,) = bench.findings.query("severity == 'error' and column == 'price_per_piece'")[
        "problem"
    ]
    assert error.startswith("has another unit than 'Price per 50' of lots 2023.csv")
    assert [*bench.tables["lots"]["price_per_piece"].fillna(0)] == [1.9, 0]
