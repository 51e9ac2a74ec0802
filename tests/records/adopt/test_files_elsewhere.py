"""A bench that somebody sends reads no file of its reader's; one that she adopted reads hers."""

import pytest

import reedlab as rl
from reedlab.records.adopt import adopting

SECRET = "Nr,Tied,Lot,Result\n1,2024-03-05,private,good\n"
MAPPED = '[columns.reeds]\n"Nr" = "reed"\n"Tied" = "tied_on"\n"Result" = "outcome"\n'


@pytest.fixture
def sent(tmp_path):
    """A bench from somebody else, and a file of hers beside it that it has no business with."""
    (tmp_path / "hers.csv").write_text(SECRET, "utf-8")
    folder = tmp_path / "sent"
    folder.mkdir()
    (folder / "lots.csv").write_text("lot,supplier\nL1,Blue\n", "utf-8")
    return folder


def reads_nothing_of_hers(folder):
    """Say whether a bench is refused, or opens without her file."""
    try:
        bench = rl.open_bench(folder)
    except rl.RecordError as refusal:
        said = str(refusal)
    else:
        said = f"{bench.findings.to_string()} {bench.tables['reeds'].to_string()} {bench.settings}"
    return "private" not in said


@pytest.mark.parametrize("absolute", [False, True])
def test_a_file_outside_the_folder_is_refused(sent, tmp_path, absolute):
    name = (tmp_path / "hers.csv").as_posix() if absolute else "../hers.csv"
    (sent / "bench.toml").write_text(f'[files]\n"{name}" = "reeds"\n{MAPPED}', "utf-8")
    with pytest.raises(rl.RecordError, match=r"outside its folder and was not adopted"):
        rl.open_bench(sent)


def test_a_file_inside_the_folder_is_read(sent):
    (sent / "data").mkdir()
    (sent / "data" / "r.csv").write_text(SECRET, "utf-8")
    (sent / "bench.toml").write_text(f'[files]\n"data/r.csv" = "reeds"\n{MAPPED}', "utf-8")
    assert [*rl.open_bench(sent).tables["reeds"]["lot"]] == ["private"]


@pytest.mark.parametrize(
    "linked", ["data", "reeds.csv", "inside.csv", "records.xlsx", "bench.toml"]
)
def test_a_link_that_leads_out_is_refused(sent, tmp_path, linked):
    toml = f'[files]\n"{linked}" = "reeds"\n{MAPPED}'
    target = tmp_path / "hers.csv"
    if linked == "data":
        toml, target = toml.replace('"data"', '"data/hers.csv"'), tmp_path
    if linked == "records.xlsx":
        target = tmp_path / "hers.xlsx"
        from openpyxl import Workbook

        book = Workbook()
        book.active.title = "reeds"
        for line in SECRET.splitlines():
            book.active.append(line.replace("Tied", "tied_on").split(","))
        book.save(target)
    if linked == "bench.toml":
        target.write_text('currency = "private"\n', "utf-8")
    elif linked in ("data", "inside.csv"):
        (sent / "bench.toml").write_text(toml, "utf-8")
    else:
        (sent / "bench.toml").write_text(MAPPED, "utf-8")
    (sent / linked).symlink_to(target)
    assert reads_nothing_of_hers(sent)


def test_adopting_allows_this_sheet_for_this_bench_alone(sent, tmp_path):
    adopted = rl.adopt(tmp_path / "hers.csv", tmp_path / "mine")
    assert [*rl.open_bench(adopted.folder).tables["reeds"]["lot"]] == ["private"]
    # The same line in another bench is refused, and so is hers, moved or sent elsewhere.
    text = (adopted.folder / "bench.toml").read_bytes()
    (sent / "bench.toml").write_bytes(text)
    with pytest.raises(rl.RecordError, match="not adopted on this computer"):
        rl.open_bench(sent)
    moved = adopted.folder.rename(tmp_path / "moved")
    with pytest.raises(rl.RecordError, match="not adopted on this computer"):
        rl.open_bench(moved)
    assert rl.adopt(tmp_path / "hers.csv", moved).folder == moved
    assert [*rl.open_bench(moved).tables["reeds"]["lot"]] == ["private"]


def test_adopting_a_sent_bench_again_allows_nothing(sent):
    (sent / "bench.toml").write_text(f'[files]\n"../hers.csv" = "reeds"\n{MAPPED}', "utf-8")
    with pytest.raises(rl.RecordError, match="not adopted on this computer"):
        rl.adopt(sent)
    assert reads_nothing_of_hers(sent)


def test_a_link_to_an_adopted_sheet_is_that_sheet(tmp_path):
    (tmp_path / "hers.csv").write_text(SECRET, "utf-8")
    link = tmp_path / "link.csv"
    link.symlink_to("hers.csv")
    adopted = rl.adopt(link, tmp_path / "mine")
    assert '"../hers.csv" = "reeds"' in (adopted.folder / "bench.toml").read_text("utf-8")
    # Where the sheet is swapped for a link to something else, that is another file.
    (tmp_path / "hers.csv").rename(tmp_path / "other.csv")
    (tmp_path / "hers.csv").symlink_to("other.csv")
    with pytest.raises(rl.RecordError, match="not adopted on this computer"):
        rl.open_bench(adopted.folder)


def test_a_damaged_list_allows_nothing_and_is_written_anew(tmp_path, configuration):
    (tmp_path / "hers.csv").write_text(SECRET, "utf-8")
    folder = rl.adopt(tmp_path / "hers.csv").folder
    for damage in (b"{", b"[1, 2]", b'{"x": 3}', b"\xff\xfe"):
        (configuration / "adopted.json").write_bytes(damage)
        with pytest.raises(rl.RecordError, match="not adopted"):
            rl.open_bench(folder)
    rl.adopt(tmp_path / "hers.csv")
    assert len(rl.open_bench(folder).tables["reeds"]) == 1


@pytest.mark.parametrize("name", ["Rohrbuch.xlsx", "Rohrbuch.ods", "reed log.csv"])
def test_a_sheet_that_may_not_be_read_is_the_reason(sheet, monkeypatch, name):
    path = sheet(name)
    folder = rl.adopt(path).folder
    toml = folder / "bench.toml"
    toml.write_text(f'{toml.read_text("utf-8")}\n[columns.pieces]\n"x" = "?"\n', "utf-8")

    def refused(file):
        raise PermissionError(13, "Permission denied", str(file))

    for module in ("workbook", "other_workbooks", "sheets_as_text"):
        monkeypatch.setattr(f"reedlab.records.read.{module}.read_bytes", refused)
    with pytest.raises(rl.RecordError, match=rf"since {name} cannot be .*\(Permission denied\): "):
        rl.open_bench(folder)


def test_a_sheet_that_is_gone_is_named(tmp_path):
    (tmp_path / "hers.csv").write_text(SECRET, "utf-8")
    folder = rl.adopt(tmp_path / "hers.csv").folder
    (tmp_path / "hers.csv").unlink()
    with pytest.raises(rl.RecordError, match=r"hers.csv is not there: correct its name"):
        rl.open_bench(folder)
    with pytest.raises(rl.RecordError, match=r"hers.csv"):
        adopting.begin(folder)
