"""Write sheets as makers keep them, untidy, in English and German, in every kind of file.

Run ``python tests/reference/own_sheets.py``; the files under ``tests/reference/own_sheets`` are its
result. openpyxl writes the workbook, and LibreOffice (7.4.7) makes the .ods and the .xls of it. All
records are invented. `REEDS` is what a person reads from any of them.
"""

import datetime as dt
import random
import subprocess
import tempfile
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent / "own_sheets"
SUPPLIERS = {"L1": "Ocker", "L2": "Indigo", "L3": "Schiefer"}
NAMES = ("Adler", "Berg", "Conrad", "Dahl", "Ebner", "Fink", "Gross", "Hahn")


class Reed(NamedTuple):
    """One reed, and how it turned out: good, playable, reject, or "" while it is not known."""

    label: str
    tied_on: dt.date
    lot: str
    gouge_mm: float
    rough_min: int
    opening: str
    outcome: str


def made_up(reeds=84):
    """Return reeds of three lots, tied over half a year."""
    draw = random.Random(7)
    chances = {"L1": (6, 2, 2), "L2": (5, 2, 3), "L3": (2, 2, 6)}
    return [
        Reed(
            str(i + 1),
            dt.date(2024, 1, 8) + dt.timedelta(days=2 * i),
            lot := draw.choice(list(SUPPLIERS)),
            round(draw.gauss(0.59, 0.01), 2),
            draw.randint(20, 50),
            draw.choice(["small", "medium", "large"]),
            draw.choices(["good", "playable", "reject"], chances[lot])[0] if i < reeds - 6 else "",
        )
        for i in range(reeds)
    ]


REEDS = made_up()


def german_workbook(path):
    """Titles over the headings, customers as outcomes, a sum below, a sheet of lots, of notes."""
    from openpyxl import Workbook

    draw = random.Random(8)
    book = Workbook()
    sheet = book.active
    sheet.title = "Rohre 2024"
    sheet["A1"] = "Meine Oboenrohre 2024"
    sheet.merge_cells("A1:H1")
    sheet["C3"], sheet["F3"] = "Holz", "Ergebnis"
    sheet.merge_cells("C3:D3")
    sheet.merge_cells("F3:H3")
    heads = ["Nr.", "Gebunden am", "Charge", "Hobelung (mm)", "Schaben (min)", "Öffnung",
             "Verkauft an", "Preis", "Bemerkung"]  # fmt: skip
    for at, head in enumerate(heads, start=1):
        sheet.cell(4, at, head)
    opening = {"small": "zu", "medium": "mittel", "large": "offen"}
    row = 5
    for reed in REEDS:
        row += reed.label == "41"  # an empty row between
        to = {"good": draw.choice(NAMES), "playable": "Schüler", "reject": "-", "": None}
        price = 24 if reed.outcome == "good" else None
        note = "pfeift" if reed.label == "9" else None
        cells = [int(reed.label), reed.tied_on, reed.lot, reed.gouge_mm, reed.rough_min,
                 opening[reed.opening], to[reed.outcome], price, note]  # fmt: skip
        for at, cell in enumerate(cells, start=1):
            sheet.cell(row, at, cell)
        sheet.cell(row, 2).number_format = "dd.mm.yyyy"
        row += 1
    sheet.cell(row, 1, "Summe")
    sheet.cell(row, 8, 24 * sum(reed.outcome == "good" for reed in REEDS))
    lots = book.create_sheet("Holz")
    lots.append(["Charge", "Händler", "Gekauft am", "Menge", "Gesamtpreis"])
    for lot, supplier in SUPPLIERS.items():
        lots.append([lot, supplier, dt.date(2023, 10, 2), 60, 150])
    notes = book.create_sheet("Notizen")
    notes.append(["Messer schleifen"])
    notes.append(["Holz bestellen"])
    book.save(path)


def english_csv(path):
    """Semicolons and Latin-1, decimal commas, days with slashes, words for outcomes, some odd."""
    draw = random.Random(9)
    words = {"good": ["good", "sold", "Good"], "playable": ["pupil", "so-so"],
             "reject": ["binned", "bin"], "": [""]}  # fmt: skip
    lines = [
        "Reed log, café bench",
        "",
        "No;Tied on;Lot;Cane from;Gouge;Rough;Opening;Result;Remarks",
    ]
    for reed in REEDS:
        gouge = f"{reed.gouge_mm:.2f}".replace(".", ",")
        lines.append(
            f"{reed.label};{reed.tied_on:%d/%m/%Y};{reed.lot};{SUPPLIERS[reed.lot]};{gouge};"
            f"{reed.rough_min};{reed.opening};{draw.choice(words[reed.outcome])};"
        )
    path.write_bytes("\r\n".join(lines).encode("latin-1"))


def english_ticks(path):
    """Tabs, and a tick in one of three columns for how a reed turned out."""
    columns = ["good", "playable", "reject"]
    lines = ["Reed\tDate\tBatch\tSupplier\tGood\tPupil\tBin"]
    for reed in REEDS:
        ticks = ["x" if reed.outcome == column else "" for column in columns]
        lines.append(
            "\t".join(
                [reed.label, f"{reed.tied_on:%d %b %Y}", reed.lot, SUPPLIERS[reed.lot], *ticks]
            )
        )
    path.write_text("\n".join(lines) + "\n", "utf-8")


def convert(source, ending):
    """Let LibreOffice save a workbook in another format."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            ["soffice", f"-env:UserInstallation=file://{profile}", "--headless", "--convert-to",
             ending, "--outdir", str(source.parent), str(source)],
            check=True, capture_output=True,
        )  # fmt: skip


def locked():
    """Let LibreOffice save a workbook with a password, in the formats where a macro can."""
    from calc import drive

    filters = {"xls": "MS Excel 97", "ods": "calc8"}
    told = [("new",), ("sheet", "reeds"), ("text", 0, 0, "reed"), ("text", 1, 0, "1")]
    for ending, name in filters.items():
        told.append(("lock", (HERE / f"locked.{ending}").as_uri(), name, "oboe"))
    drive([*told, ("close",)])


if __name__ == "__main__":
    HERE.mkdir(exist_ok=True)
    german_workbook(HERE / "Rohrbuch.xlsx")
    convert(HERE / "Rohrbuch.xlsx", "ods")
    convert(HERE / "Rohrbuch.xlsx", "xls")
    english_csv(HERE / "reed log.csv")
    english_ticks(HERE / "ticks.tsv")
    locked()
