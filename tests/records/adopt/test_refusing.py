"""What is not a sheet is refused in one sentence that says the way out; nothing is written."""

import random

import pytest

import reedlab as rl

OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)


@pytest.mark.parametrize(
    ("name", "content", "way_out"),
    [
        ("reeds.numbers", b"PK\x03\x04", "Export To > CSV"),
        ("reeds.gsheet", b"{}", "download it as .xlsx"),
        ("photo.png", b"\x89PNG", "type them into a spreadsheet"),
        ("photo.csv", b"\xff\xd8\xff\xe0" + bytes(90), "type them into a spreadsheet"),
        ("print.pdf", b"%PDF-1.7", "type them into a spreadsheet"),
        ("reeds.docx", b"PK\x03\x04", "copy its table into a spreadsheet"),
        ("reeds.xlsx", OLE, "save a copy without one"),
        ("reeds.csv", b"PK\x03\x04" + bytes(90), "give it its own ending"),
        ("reeds.csv", b"", "is empty"),
        ("reeds.csv", b"\r\n;;\r\n", "is empty"),
        ("reeds.xls", b"\x09\x08" + bytes(90), "save it again as .xlsx"),
        ("reeds.ods", b"PK\x03\x04" + bytes(90), "save it again as .xlsx"),
        ("reeds.xlsx", b"PK\x03\x04" + bytes(90), "save it again as .xlsx"),
        ("~$reeds.xlsx", b"user", "only marks that reeds.xlsx is open in the spreadsheet program"),
        (".~lock.reeds.ods#", b"user", "only marks that reeds.ods is open"),
        ("reeds.zip", b"PK\x03\x04", "save it as .xlsx"),
        ("reeds.csv", b"one,two\n", "has no table that can be found"),
        ("reeds.csv", b"just a line\n", "has no table that can be found"),
    ],
)  # fmt: skip
def test_one_sentence_and_the_way_out(tmp_path, name, content, way_out):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(rl.RecordError) as refusal:
        rl.adopt(path)
    said = str(refusal.value)
    assert way_out in said and name in said
    assert said.count(". ") == 0 and "\n" not in said and said.endswith(".")
    assert [*tmp_path.iterdir()] == [path]


@pytest.mark.parametrize("ending", ["ods", "xls"])
def test_a_workbook_that_libreoffice_locked(sheet, ending):
    with pytest.raises(rl.RecordError, match=r"protected by a password: open it .* save"):
        rl.adopt(sheet(f"locked.{ending}"))


@pytest.mark.parametrize("ending", ["ods", "xls"])
def test_a_damaged_workbook_is_a_sentence_or_is_read(sheet, ending):
    path = sheet(f"Rohrbuch.{ending}")
    whole, draw = path.read_bytes(), random.Random(1)
    refused = 0
    for at in range(30):
        data = bytearray(whole[: draw.randrange(len(whole))] if at % 2 else whole)
        for _ in range(20):
            data[draw.randrange(len(data))] = draw.randrange(256)
        path.write_bytes(data)
        try:
            rl.adopt(path, path.with_name(f"bench-{at}"), today="2024-12-01")
        except rl.RecordError:
            refused += 1
    assert refused > 10


def test_a_wrong_argument(tmp_path):
    with pytest.raises(rl.RecordError, match="does not exist: give your sheet"):
        rl.adopt(tmp_path / "nowhere.csv")
    with pytest.raises(rl.RecordError, match="has no sheet: put a CSV file"):
        rl.adopt(tmp_path)


def test_a_bench_is_not_adopted(tmp_path):
    folder = rl.new_bench(tmp_path / "bench")
    with pytest.raises(rl.RecordError, match="it is a bench already: run `reedlab check`"):
        rl.adopt(folder)


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    sheet = tmp_path / "reeds.csv"
    sheet.write_text("No,Tied on,Result\n1,2024-03-05,good\n", "utf-8")
    for name in ("note.txt", "lots.csv"):
        folder = tmp_path / name.replace(".", "-")
        folder.mkdir()
        (folder / name).write_text("mine", "utf-8")
        with pytest.raises(rl.WriteError, match="not an empty folder"):
            rl.adopt(sheet, folder)
        assert [(p.name, p.read_text("utf-8")) for p in folder.iterdir()] == [(name, "mine")]
    with pytest.raises(rl.WriteError):
        rl.adopt(sheet, sheet)
    bench = rl.new_bench(tmp_path / "bench")
    before = (bench / "bench.toml").read_bytes()
    with pytest.raises(rl.WriteError, match="names no sheet"):
        rl.adopt(sheet, bench)
    assert (bench / "bench.toml").read_bytes() == before


def test_a_broken_bench_toml_is_named(tmp_path):
    sheet = tmp_path / "reeds.csv"
    sheet.write_text("No,Tied on,Result\n1,2024-03-05,good\n", "utf-8")
    folder = rl.adopt(sheet).folder
    (folder / "bench.toml").write_text('[files]\n"../reeds.csv" = \n', "utf-8")
    for given in (sheet, folder):
        with pytest.raises(rl.RecordError, match=r"bench.toml cannot be read .*line 2"):
            rl.adopt(given)


def test_one_bad_file_of_a_folder_is_left_out(tmp_path):
    from reedlab.records.adopt import adopting

    folder = tmp_path / "sheets"
    folder.mkdir()
    (folder / "reeds.csv").write_text("No,Tied on,Result\n1,2024-03-05,good\n", "utf-8")
    (folder / "locked.xlsx").write_bytes(OLE)
    draft = adopting.begin(folder)
    assert len(draft.parts) == 1 and "protected by a password" in draft.left_out[0]
