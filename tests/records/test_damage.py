"""Damaged records: a sentence and an exit code, never a traceback, and not a byte changed.

The ordinary run draws 16 damaged benches; with ``REEDLAB_DAMAGE=5000`` in the environment it draws
as many as that says, anew each time, so that runs of some hundreds add up; and blank rows of a
workbook are then as many as a sheet has. What is large runs in a process of its own, whose memory
and time are held to the limits below.
"""

import contextlib
import functools
import hashlib
import io
import multiprocessing
import os
import random
import resource
import tempfile
import time
import warnings
import zipfile
from pathlib import Path
from unittest import mock

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reedlab import cli
from reedlab.records import Bench, open_bench

EXAMPLES = int(os.environ.get("REEDLAB_DAMAGE", "16"))
BLANK_ROWS = 1_000_000 if "REEDLAB_DAMAGE" in os.environ else 200_000
MOST_MEMORY_MB = 1024
MOST_SECONDS = 60

LOTS = "lot,supplier,bought_on,quantity,quantity_unit,price\nL1,Ochre,2021-01-05,40,piece,96\n"
REEDS = "reed,lot,piece,maker,tied_on,outcome,tied_mm,rough_min,judged_on,note\n" + "".join(
    f'{i},L1,P{i},KL,2021-02-{i:02},{outcome},72.5,0:1{i % 6},2021-03-{i:02},"für {i}, gut"\n'
    for i, outcome in enumerate(["good", "reject", "", "playable", "given_up"] * 3, start=1)
)
PIECES = "piece,lot,gouge_centre_mm,density_g_cm3\nP1,L1,0.59,0.55\nP2,L1,0.58,0.56\n"
SITTINGS = "date,maker,stage,reeds,minutes\n2021-02-03,KL,rough,1; 2; 3,45\n"
TALLY = "lot,date,stage,pieces_in,pieces_out,minutes\nL1,2021-01-20,sort,40,30,20\n"
TOML = 'format = 1\nsuccess = ["good"]\n[ranges]\n"reeds.tied_mm" = [70, 75]\n'
FILES = {
    "lots.csv": LOTS,
    "reeds.csv": REEDS,
    "pieces.csv": PIECES,
    "sittings.csv": SITTINGS,
    "tally.csv": TALLY,
    "bench.toml": TOML,
}


def as_workbook() -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in ("lots", "reeds", "pieces"):
        sheet = book.create_sheet(name)
        for line in FILES[f"{name}.csv"].splitlines():
            sheet.append(line.split(","))
    memory = io.BytesIO()
    book.save(memory)
    return memory.getvalue()


WORKBOOK = as_workbook()


def repacked(data: bytes, change) -> bytes:
    """Return a workbook with its parts changed by a function of name and bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            new.writestr(part, change(part, old.read(part)))
    return out.getvalue()


# Each damage takes a file's bytes and a source of chance, and returns other bytes.


def flip_bytes(data: bytes, chance: random.Random) -> bytes:
    damaged = bytearray(data)
    for _ in range(chance.randint(1, 20)):
        if damaged:
            damaged[chance.randrange(len(damaged))] = chance.randrange(256)
    return bytes(damaged)


def cut_short(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randint(0, len(data))]


def lose_rows(data: bytes, chance: random.Random) -> bytes:
    return b"\n".join(line for line in data.split(b"\n") if chance.random() > 0.3)


def swap_columns(data: bytes, chance: random.Random) -> bytes:
    lines = [line.split(b",") for line in data.split(b"\n")]
    for cells in lines[chance.randint(0, 1) :]:
        chance.shuffle(cells)
    return b"\n".join(b",".join(cells) for cells in lines)


def mix_encodings(data: bytes, chance: random.Random) -> bytes:
    codes = ["utf-8", "cp1252", "utf-16", "utf-16-be", "utf-32", "cp037"]
    lines = data.decode("utf-8", errors="replace").split("\n")
    return b"\n".join(line.encode(chance.choice(codes), errors="replace") for line in lines)


def scatter_signs(data: bytes, chance: random.Random) -> bytes:
    signs = [b'"', b";", b"\t", b"\0", b"\r", b"=", b"'", b"\xff\xfe", b"\n\n\n", b"1e999", b"-"]
    for _ in range(chance.randint(1, 8)):
        at = chance.randint(0, len(data))
        data = data[:at] + chance.choice(signs) + data[at:]
    return data


def odd_cells(data: bytes, chance: random.Random) -> bytes:
    odd = ["inf", "nan", "-0", "9" * 400, "1" + "0" * 308, "31/12/9999", "0000-00-00", "12:99",
           "٣٫٥", "½", "²", "１２", "\u202e=1", "💥", "A" * 20_000, "#REF!", "TRUE", "1,2,3.4,5",
           "2021-02-30", "-5", "1.234", "1,234", "10^5", "0x1F", "{}", "<script>", "%", "%d",
           '"', '""""', "do.", "72-73", "72-3", "25+10", "ca. 35", "~", "April 2021", "04/2021",
           "Feb 21", "Mar 5", "Total", "Mean", "example", "reed", "good", "12:60", "1+",
           "-"]  # fmt: skip
    lines = [line.split(b",") for line in data.split(b"\n")]
    for _ in range(chance.randint(1, 15)):
        cells = chance.choice(lines)
        cells[chance.randrange(len(cells))] = chance.choice(odd).encode()
    return b"\n".join(b",".join(cells) for cells in lines)


def repeat_rows(data: bytes, chance: random.Random) -> bytes:
    head, _, rest = data.partition(b"\n")
    return head + b"\n" + rest * chance.randint(2, 30)


def blank_rows(data: bytes, chance: random.Random) -> bytes:
    return data + chance.choice([b"\n", b",,,,\r\n", b'"",""\n', b" \n"]) * 3_000 + b"x\n"


def other_bytes(data: bytes, chance: random.Random) -> bytes:
    return chance.randbytes(chance.choice([0, 1, 2, 3, 100, 5_000]))


DAMAGES = [
    flip_bytes, cut_short, lose_rows, swap_columns, mix_encodings, scatter_signs, odd_cells,
    repeat_rows, blank_rows, other_bytes,
]  # fmt: skip


def damage_place(folder: Path, chance: random.Random) -> None:
    """Put something else where a file is: a folder, a link to itself, to another, to nowhere."""
    path = chance.choice(sorted(folder.iterdir()))
    path.unlink()
    kind = chance.randrange(5)
    if kind == 0:
        path.mkdir()
    elif kind == 1:
        path.symlink_to(path.name)
    elif kind == 2:
        path.symlink_to("lots.csv")
    elif kind == 3:
        path.symlink_to("/dev/zero")
    else:
        os.mkfifo(path)


def damage_part(data: bytes, chance: random.Random) -> bytes:
    """Damage the text of a workbook's parts, so that it still unpacks."""
    damage = chance.choice([flip_bytes, cut_short, scatter_signs])
    hit = chance.choice(zipfile.ZipFile(io.BytesIO(data)).namelist())
    return repacked(data, lambda part, text: damage(text, chance) if part == hit else text)


def build(folder: Path, chance: random.Random) -> None:
    """Write a bench with one to three things wrong with it."""
    files = {name: text.encode() for name, text in FILES.items()}
    if chance.random() < 0.3:
        for name in ("lots.csv", "reeds.csv", "pieces.csv"):
            if chance.random() < 0.8:
                del files[name]
        files["records.xlsx"] = WORKBOOK
    for _ in range(chance.randint(1, 3)):
        name = chance.choice(sorted(files))
        if name == "records.xlsx" and chance.random() < 0.7:
            with contextlib.suppress(Exception):  # damaged beyond repacking already
                files[name] = damage_part(files[name], chance)
        else:
            files[name] = chance.choice(DAMAGES)(files[name], chance)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    if chance.random() < 0.15:
        damage_place(folder, chance)


def fingerprints(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.is_file() and not path.is_symlink()
    }


def checked(folder: Path) -> tuple[int, str, Bench | None]:
    """Run ``reedlab check`` and return its exit code, all that it said, and the bench it opened."""
    said, opened = io.StringIO(), []

    def kept(path, today=None):
        opened.append(open_bench(path, today))
        return opened[-1]

    with (
        mock.patch("reedlab.records.open_bench", kept),
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(said),
        warnings.catch_warnings(action="error"),
    ):
        try:
            cli.main(["check", str(folder)])
            code = 0
        except SystemExit as left:
            code = left.code
    return code, said.getvalue(), opened[0] if opened else None


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize="REEDLAB_DAMAGE" not in os.environ,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(seed=st.integers(0, 2**64))
def test_damaged_records_end_in_a_sentence(seed):
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room)
        build(folder, random.Random(seed))
        before = fingerprints(folder)
        code, said, bench = checked(folder)
        assert fingerprints(folder) == before
        assert code in (0, 1, 2), said
        assert len(said.split()) > 5
        assert "Traceback" not in said
        assert "fault of reedlab's own" not in said, said
        assert (bench is None) == (code == 2)
        if bench is not None:
            assert len(bench.reeds) <= len(bench.tables["reeds"])
            assert bench.cane.columns.is_unique
            assert len(bench.losses) <= len(bench.tables["lots"])


# What a person reads in an odd cell of numbers or days; in any other she reads none.
NUMBERS = {
    "72-73": 72.5, "72,5": 72.5, "ca. 72": 72.0, "72.5 mm": 72.5, "71": 71.0, "25+10": 35.0,
    "ca. 35": 35.0, "0:35": 35.0, "30-40": 35.0, "35'": 35.0, "1 h 5": 65.0, "12": 12.0,
}  # fmt: skip
MONTHS_AND_DAYS = {
    "April 2021": "2021-04-01", "04/2021": "2021-04-01", "Feb 21": "2021-02-01",
    "5 Feb 2021": "2021-02-05", "44232": "2021-02-05", "20.3.2021": "2021-03-20",
    "2021-04": "2021-04-01",
}  # fmt: skip
MEANS = {
    "tied_mm": NUMBERS,
    "rough_min": NUMBERS | {"1,234": 1234.0},  # the table's other numbers have points
    "tied_on": MONTHS_AND_DAYS,
    "judged_on": MONTHS_AND_DAYS,
}
NONE = [
    "inf", "1e999", "½", "soon", "72-3", "1,234", "1.234.5", "12 50", "2021-02-30", "03/04/21",
    "24-03-05", "Mar 5", "-", "", "#REF!", "10-60", "5+", "31/31/2021", "gut",
]  # fmt: skip


@settings(max_examples=max(EXAMPLES // 8, 10), deadline=None, database=None, derandomize=True)
@given(
    cells=st.lists(
        st.tuples(
            st.integers(0, 14),
            st.sampled_from(sorted(MEANS)),
            st.sampled_from([*NONE, *NUMBERS, *MONTHS_AND_DAYS]),
        ),
        min_size=1, max_size=8, unique_by=lambda cell: cell[:2],
    )
)  # fmt: skip
def test_no_odd_cell_is_read_as_what_it_does_not_say_and_none_changes_another(cells):
    lines = [line.split(",") for line in REEDS.splitlines()]
    at = {name: place for place, name in enumerate(lines[0])}
    for row, name, text in cells:
        lines[row + 1][at[name]] = f'"{text}"' if "," in text else text
    with tempfile.TemporaryDirectory() as room:
        (plain(Path(room)) / "reeds.csv").write_text(
            "\n".join(map(",".join, lines)), encoding="utf-8"
        )
        bench = open_bench(room)
    sound = sound_reeds()
    reeds, damaged = bench.tables["reeds"], {(row + 2, name): text for row, name, text in cells}
    assert reeds.index.equals(sound.index)
    said = set(map(tuple, bench.findings[["row", "column"]].astype(object).values))
    for name in at:
        for row in sound.index:
            value, text = reeds.at[row, name], damaged.get((row, name))
            if text is None:
                same = value == sound.at[row, name] or (
                    pd.isna(value) and pd.isna(sound.at[row, name])
                )
                assert same or any((row, other) in said for other in at), (row, name)
            elif pd.isna(value):
                assert text in ("", "-") or (row, name) in said, (row, name, text)
            else:
                means = MEANS[name].get(text)
                assert value == (pd.Timestamp(means) if isinstance(means, str) else means), (
                    name,
                    text,
                )


@functools.cache
def sound_reeds() -> pd.DataFrame:
    with tempfile.TemporaryDirectory() as room:
        return open_bench(plain(Path(room))).tables["reeds"]


def plain(folder: Path) -> Path:
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def book(folder: Path, data: bytes) -> Path:
    (folder / "records.xlsx").write_bytes(data)
    return folder


def with_part(name: str, text: bytes | str) -> bytes:
    """Return the workbook with one part put in the place of its own."""
    return repacked(WORKBOOK, lambda part, old: text if part == name else old)


def cell_of_10_mb(folder):
    (plain(folder) / "reeds.csv").write_text(
        REEDS + f"99,L1,,KL,2021-02-03,good,{'7' * 10**7},,,x\n"
    )


def note_of_10_mb(folder):
    (plain(folder) / "reeds.csv").write_text(
        REEDS + f"99,L1,,KL,2021-02-03,good,72,,,{'n' * 10**7}\n"
    )


def text_of_10_mb_in_a_workbook(folder):
    sheet = f'<row r="1"><c r="A1" t="inlineStr"><is><t>{"n" * 10**7}</t></is></c></row>'
    book(folder, with_part("xl/worksheets/sheet1.xml", SHEET.format(sheet)))


def a_million_blank_rows(folder):
    (plain(folder) / "reeds.csv").write_text(REEDS + ",,,,,,,,,\n" * 1_000_000 + "99,L1\n")


def many_blank_rows_in_a_workbook(folder):
    rows = "".join(f'<row r="{i}" ht="15"/>' for i in range(1, BLANK_ROWS + 1))
    book(folder, with_part("xl/worksheets/sheet2.xml", SHEET.format(rows)))


def a_workbook_that_boasts_of_its_size(folder):
    one = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    sheet = SHEET.format(one).replace("<sheetData>", '<dimension ref="A1:XFD1048576"/><sheetData>')
    book(folder, with_part("xl/worksheets/sheet1.xml", sheet))


def a_zip_bomb(folder):
    bomb = io.BytesIO(WORKBOOK)
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/image1.png", bytes(300_000_000))
    book(folder, bomb.getvalue())


def a_zip_bomb_that_lies_about_its_size(folder):
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in zipfile.ZipFile(io.BytesIO(WORKBOOK)).namelist():
            zeros = part == "xl/worksheets/sheet2.xml"
            text = zipfile.ZipFile(io.BytesIO(WORKBOOK)).read(part)
            archive.writestr(part, text + b" " * 300_000_000 if zeros else text)
    size = 300_000_000 + len(zipfile.ZipFile(io.BytesIO(WORKBOOK)).read("xl/worksheets/sheet2.xml"))
    book(folder, bomb.getvalue().replace(size.to_bytes(4, "little"), (900).to_bytes(4, "little")))


def an_entity_bomb(folder, encoding="utf-8"):
    """Billion laughs, as in the CERT and OWASP pages on XML entity expansion."""
    laughs = "".join(
        f'<!ENTITY lol{i} "{f"&lol{i - 1};" * 10 if i else "lol"}">' for i in range(10)
    )
    cell = '<row r="1"><c r="A1" t="inlineStr"><is><t>&lol9;</t></is></c></row>'
    head = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE lolz [{laughs}]>'
    text = head + SHEET.format(cell).split("?>", 1)[1]
    book(folder, with_part("xl/worksheets/sheet1.xml", text.encode(encoding)))


def an_entity_bomb_in_utf_16(folder):
    an_entity_bomb(folder, "utf-16")


def an_entity_that_reads_a_file(folder):
    cell = '<row r="1"><c r="A1" t="inlineStr"><is><t>&other;</t></is></c></row>'
    told = '<!DOCTYPE x [<!ENTITY other SYSTEM "file:///etc/passwd">]>'
    text = SHEET.format(cell).replace("?>", "?>" + told, 1)
    book(folder, with_part("xl/worksheets/sheet1.xml", text))


def a_thousand_columns(folder):
    heads, cells = ",".join(f"c{i}" for i in range(5_000)), "x," * 5_000
    (plain(folder) / "reeds.csv").write_text("reed," + heads + "\n" + f"1,{cells}\n" * 200)


def settings_of_2_mb(folder):
    (plain(folder) / "bench.toml").write_text("a = " + "[" * 2_000_000)


def settings_nested_deeply(folder):
    (plain(folder) / "bench.toml").write_text("a = " + "[" * 100_000)


def five_thousand_other_files(folder):
    plain(folder)
    for i in range(5_000):
        (folder / f"note{i}.csv").touch()


SHEET = (
    '<?xml version="1.0"?><worksheet '
    'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData>'
    "</worksheet>"
)
LARGE = [
    cell_of_10_mb, note_of_10_mb, text_of_10_mb_in_a_workbook, a_million_blank_rows,
    many_blank_rows_in_a_workbook, a_workbook_that_boasts_of_its_size, a_zip_bomb,
    a_zip_bomb_that_lies_about_its_size, an_entity_bomb, an_entity_bomb_in_utf_16,
    an_entity_that_reads_a_file, a_thousand_columns, settings_of_2_mb, settings_nested_deeply,
    five_thousand_other_files,
]  # fmt: skip


def in_a_process(folder: Path, answer) -> None:
    start = time.monotonic()
    code, said, _ = checked(folder)
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    answer.put((code, said[:20_000], used, time.monotonic() - start))


@pytest.mark.parametrize("large", LARGE)
def test_what_is_large_or_wicked_stays_within_memory_and_time(tmp_path, large):
    large(tmp_path)
    before = fingerprints(tmp_path)
    fork = multiprocessing.get_context("fork")
    answer = fork.Queue()
    run = fork.Process(target=in_a_process, args=(tmp_path, answer))
    run.start()
    code, said, megabytes, seconds = answer.get(timeout=2 * MOST_SECONDS)
    run.join()
    assert code in (0, 1, 2), said
    assert len(said.split()) > 5
    assert "fault of reedlab's own" not in said, said
    assert "root:" not in said
    assert megabytes < MOST_MEMORY_MB
    assert seconds < MOST_SECONDS
    assert fingerprints(tmp_path) == before


def test_links_to_other_workbooks_are_not_followed(tmp_path):
    """A formula of another workbook counts as the value that was last shown."""
    row = '<row r="{}"><c r="A{}" t="inlineStr"><is><t>{}</t></is></c></row>'
    cells = row.format(1, 1, "reed") + '<row r="2"><c r="A2"><f>[1]Sheet1!A1</f><v>7</v></c></row>'
    data = repacked(
        WORKBOOK,
        lambda part, old: SHEET.format(cells) if part == "xl/worksheets/sheet2.xml" else old,
    )
    bench = open_bench(book(tmp_path, data))
    assert bench.tables["reeds"]["reed"].tolist() == ["7"]
