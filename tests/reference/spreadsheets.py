"""Write one small bench in many ways, each file by LibreOffice Calc itself.

Run ``python tests/reference/spreadsheets.py``; the files under ``tests/reference/spreadsheets`` are
its result (LibreOffice 7.4.7). All of them hold the same records, so they must read alike. The one
thing that this LibreOffice cannot write is UTF-8 with a byte order mark: there the script puts the
mark before a file that LibreOffice wrote.
"""

import datetime as dt
from pathlib import Path

from calc import CSV, XLSX, drive

HERE = Path(__file__).resolve().parent / "spreadsheets"
D = dt.date

LOTS = [
    ("lot", "supplier", "bought_on", "quantity", "quantity_unit", "price", "note"),
    ("L1", "Ochre", D(2024, 3, 5), 120, "piece", 1234.5, "für Übungsrohre, günstig"),
    ("L2", "Umber", D(2024, 4, 30), 40, "piece", 98.75, ""),
]
REEDS = [
    ("reed", "lot", "maker", "tied_on", "outcome", "tied_mm", "rough_min", "judged_on", "note"),
    ("007", "L1", "KL", D(2024, 5, 6), "good", 72.5, 35, D(2024, 5, 20), 'one\\nand "two"'),
    ("008", "L1", "MR", D(2024, 5, 7), "reject", 72.25, 65, D(2024, 5, 13), ""),
    ("009", "L2", "KL", D(2024, 12, 30), "", 72.5, 40, "", "=waits"),
]
PIECES = [
    ("piece", "lot", "wet", "gouge_centre_mm", "mass_g", "rh_pct", "temp_c"),
    ("P1", "L1", "yes", 0.58, 0.215, 45, 20.5),
    ("P2", "L2", "no", 0.6, 0.2, 62, 21),
]
TABLES = {"lots": LOTS, "reeds": REEDS, "pieces": PIECES}
MINUTES = {"rough_min"}
EPOCH = D(1899, 12, 30)

GERMAN = {
    "lot": "Los", "supplier": "Händler", "bought_on": "Gekauft am", "quantity": "Menge",
    "quantity_unit": "Einheit", "price": "Preis", "note": "Notiz", "reed": "Rohr", "maker": "Wer",
    "tied_on": "Gebunden am", "outcome": "Ergebnis", "tied_mm": "Länge (mm)",
    "rough_min": "Minuten", "judged_on": "Geprüft am", "piece": "Stück", "wet": "nass",
    "gouge_centre_mm": "Mitte [mm]", "mass_g": "Gewicht (g)", "rh_pct": "Feuchte (%)",
    "temp_c": "Wärme",
}  # fmt: skip
GERMAN_WORDS = {"good": "gut", "reject": "Ausschuss", "piece": "Stück", "yes": "ja", "no": "nein"}
GERMAN_TOML = (
    'date_order = "day-month"\n[tables]\nEinkauf = "lots"\nRohre = "reeds"\nHolz = "pieces"\n'
    + "".join(
        f"[columns.{name}]\n" + "".join(f'"{GERMAN[c]}" = "{c}"\n' for c in rows[0])
        for name, rows in TABLES.items()
    )
    + '[words.outcome]\ngut = "good"\nAusschuss = "reject"\n'
    + '[words.quantity_unit]\n"Stück" = "piece"\n[words.wet]\nja = "yes"\nnein = "no"\n'
)


def cells(rows, *, top=0, heading=str, word=str, date=None, clock=None, number=None, percent=False):
    """Return the commands that fill a sheet: formats are (code, language, country)."""
    told = [("text", top, at, heading(name)) for at, name in enumerate(rows[0])]
    for down, row in enumerate(rows[1:], start=top + 1):
        for at, (name, value) in enumerate(zip(rows[0], row)):
            if value == "":
                continue
            if isinstance(value, dt.date):
                told.append(("number", down, at, (value - EPOCH).days))
                told.append(("format", down, at, *date))
            elif isinstance(value, str):
                told.append(("text", down, at, word(value)))
            elif name in MINUTES and clock == "min":
                told.append(("text", down, at, f"{value} min"))
            elif name in MINUTES and clock:
                told.append(("number", down, at, value / 1440))
                told.append(("format", down, at, *clock))
            elif name == "rh_pct" and percent:
                told.append(("number", down, at, value / 100))
                told.append(("format", down, at, "0%", "en", "US"))
            else:
                told.append(("number", down, at, value))
                if number and not float(value).is_integer():
                    told.append(("format", down, at, *number))
    return told


def as_csv(folder, files, options, bom=b"", toml="", extra=(), **how):
    """Write a folder of CSV files; `files` gives the name for each table."""
    (HERE / folder).mkdir(parents=True, exist_ok=True)
    told, paths = [], []
    for name, rows in TABLES.items():
        path = HERE / folder / files.get(name, f"{name}.csv")
        paths.append(path)
        told += [("new",), ("sheet", name), *cells(rows, **how), *extra]
        told += [("save", path.as_uri(), CSV, options), ("close",)]
    drive(told)
    for path in paths:
        path.write_bytes(bom + path.read_bytes())
    if toml:
        (HERE / folder / "bench.toml").write_text(toml, encoding="utf-8")


def as_workbook(folder, tables, extra=()):
    """Write a workbook: titles over the headings, native dates, times, per cents and formulas."""
    (HERE / folder).mkdir(parents=True, exist_ok=True)
    told = [("new",)]
    for name in tables:
        rows = TABLES[name]
        told += [("sheet", name), ("text", 0, 0, f"All the {name} since 2024")]
        told += [("merge", 0, 0, 4)]
        told += cells(
            rows,
            top=2,
            heading=lambda c: c.replace("_mm", " (mm)").replace("_", " ").title(),
            date=("DD/MM/YY", "en", "GB"),
            clock=("[H]:MM", "en", "US"),
            percent=True,
        )
        if name == "lots":  # the first price as a formula
            told += [("formula", 3, 5, "=1200+34.5")]
    told += extra
    told += [("save", (HERE / folder / "records.xlsx").as_uri(), XLSX, ""), ("close",)]
    drive(told)


KEPT = [
    ("My reeds",),
    (),
    ("Reed", "Lot", "Maker", "Tied on", "Outcome", "Tied (mm)", "Rough (min)", "Sold for"),
    ("March",),
    ("1", "L1", "KL", D(2024, 3, 5), "good", "72.5", "25+10", "28"),
    ("2", '"', '"', '"', "good", "72-73", "ca. 30", "25+3"),
    ("3", "do.", "ditto", "idem", "reject", "~72", "0:35", ""),
    (),
    ("Reed", "Lot", "Maker", "Tied on", "Outcome", "Tied (mm)", "Rough (min)", "Sold for"),
    ("4", "L2", "KL", "April 2024", "good", "72.5 mm", "35 min", "25.50"),
    ("5", "L2", "KL", "05/2024", "", "72.5", "35'", ""),
    ("Total", "", "", "", "3", "", "170", "81.50"),
    ("Average", "", "", "", "", "72.4", "34", ""),
]
KEPT_GERMAN = {
    "My reeds": "Meine Rohre", "Reed": "Nr.", "Lot": "Holz", "Maker": "Wer",
    "Tied on": "Gebunden", "Outcome": "Ergebnis", "Tied (mm)": "Länge", "Rough (min)": "Schaben",
    "Sold for": "Preis", "March": "März", "good": "gut", "reject": "weg", "ditto": "dito",
    "Total": "Summe", "Average": "Schnitt", "ca. 30": "etwa 30",
}  # fmt: skip
KEPT_TOML = (
    'date_order = "day-month"\n[tables]\nRohre = "reeds"\n[columns.reeds]\n"Nr." = "reed"\n'
    'Holz = "lot"\nWer = "maker"\nGebunden = "tied_on"\nErgebnis = "outcome"\n'
    '"Länge" = "tied_mm"\nSchaben = "rough_min"\nPreis = "sold_for"\n'
    '[words.outcome]\ngut = "good"\nweg = "reject"\n'
)
BATCHES = [
    ("Lot", "Maker", "Tied on", "Tied", "Good", "Playable", "Reject"),
    ("L1", "KL", D(2024, 3, 5), 10, 6, 2, 2),
    ("L2", "KL", D(2024, 3, 12), 8, 3, 1, 4),
    ("Sum", "", "", 18, 9, 3, 6),
]


def as_kept(folder, rows, path, kind, options, date, word=str, toml=""):
    """Write rows as a maker keeps them: titles, ditto marks, ranges, sums, months, totals."""
    (HERE / folder).mkdir(parents=True, exist_ok=True)
    told = [("new",), ("sheet", "reeds")]
    for down, row in enumerate(rows):
        for at, value in enumerate(row):
            if isinstance(value, dt.date):
                told += [("number", down, at, (value - EPOCH).days), ("format", down, at, *date)]
            elif isinstance(value, int):
                told.append(("number", down, at, value))
            elif value != "":
                told.append(("text", down, at, word(value)))
    drive([*told, ("save", (HERE / folder / path).as_uri(), kind, options), ("close",)])
    if toml:
        (HERE / folder / "bench.toml").write_text(toml, encoding="utf-8")


def german(text):
    """Return a text as it is written in German: words, and decimal commas in numbers."""
    said = KEPT_GERMAN.get(text, text)
    return said.replace(".", ",") if said[:1] in "~0123456789" and "/" not in said else said


def kept():
    """Write the sheets that are kept as people keep them."""
    iso, dots = ("YYYY-MM-DD", "en", "US"), ("TT.MM.JJJJ", "de", "DE")
    as_kept("kept_workbook", KEPT, "records.xlsx", XLSX, "", iso)
    as_kept("kept_comma", KEPT, "reeds.csv", CSV, "44,34,76,1,,0,false,true,true", iso)
    as_kept(
        "kept_german", KEPT, "Rohre.csv", CSV, "59,34,1,1,,0,true,true,true", dots, german,
        KEPT_TOML,
    )  # fmt: skip
    as_kept("batches", BATCHES, "records.xlsx", XLSX, "", iso)


def main():
    """Write every folder anew."""
    kept()
    iso, us = ("YYYY-MM-DD", "en", "US"), ("MM/DD/YYYY", "en", "US")
    shown = "0,false,true,true"  # cells as they are shown
    as_csv("comma_utf8", {}, f"44,34,76,1,,{shown}", date=iso)
    as_csv("comma_utf8_bom", {}, f"44,34,76,1,,{shown}", bom=b"\xef\xbb\xbf", date=iso)
    as_csv("all_quoted", {}, "44,34,76,1,,0,true,true,true", date=("YYYY-MM-DD HH:MM", "en", "US"))
    as_csv(
        "semicolon_windows1252",
        {"lots": "Einkauf.csv", "reeds": "Rohre.csv", "pieces": "Holz.csv"},
        f"59,34,1,1,,{shown}",
        toml=GERMAN_TOML,
        heading=GERMAN.get,
        word=lambda text: GERMAN_WORDS.get(text, text),
        date=("TT.MM.JJJJ", "de", "DE"),
        clock=("[H]:MM", "de", "DE"),
        number=("#.##0,000", "de", "DE"),
        percent=True,
    )
    as_csv(
        "tab_utf16",
        {name: f"{name}.tsv" for name in TABLES},
        f"9,34,65535,1,,{shown}",
        toml='date_order = "month-day"\n',
        heading=lambda name: f"  {name.upper().replace('_', ' ')} ",
        date=us,
        clock="min",
        number=("#,##0.00##", "en", "US"),
    )
    as_csv(
        "titled_with_blanks",
        {},
        f"44,34,76,1,,{shown}",
        extra=[("text", 0, 0, "My records, kept since 2024"), ("text", 30, 14, " ")],
        top=3,
        date=("D MMM YYYY", "en", "US"),
    )
    as_csv("two_readings", {}, f"44,34,76,1,,{shown}", date=("DD/MM/YYYY", "en", "GB"))
    extra = [("sheet", "customers"), ("text", 0, 0, "name"), ("text", 1, 0, "nobody's business")]
    as_workbook("workbook", TABLES, extra)
    as_workbook("mixed", ["reeds", "pieces"])
    lots = [("new",), ("sheet", "lots"), *cells(LOTS, date=iso)]
    path = HERE / "mixed" / "lots.csv"
    drive([*lots, ("save", path.as_uri(), CSV, f"44,34,76,1,,{shown}"), ("close",)])


if __name__ == "__main__":
    main()
