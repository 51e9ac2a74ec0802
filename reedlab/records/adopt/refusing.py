"""What is not a sheet that can be read, in one sentence with the way out."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.records.read.other_workbooks import is_locked

TEXT = (".csv", ".tsv", ".txt")
BOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
KINDS = (*TEXT, *BOOKS)

_PICTURES = (".png", ".jpg", ".jpeg", ".heic", ".gif", ".tif", ".tiff", ".webp", ".bmp", ".pdf")
_PICTURE_STARTS = (b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"%PDF", b"II*\0", b"MM\0*")
_DOCUMENTS = (".doc", ".docx", ".odt", ".pages", ".rtf")
_LOCK = re.compile(r"(?:~\$|\.~lock\.)(.+?)#?")
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP = b"PK\x03\x04"


def refuse_unreadable(path: Path) -> None:
    """Raise RecordError for a file that is no sheet, or that is locked; a sheet passes.

    The first bytes count beside the ending: a picture that is called ``.csv`` is a picture.
    """
    ending = path.suffix.casefold()
    if lock := _LOCK.fullmatch(path.name):
        raise RecordError(
            f"{path} only marks that {lock[1]} is open in the spreadsheet program: give "
            f"{path.with_name(lock[1])}."
        )
    _refuse_ending(path, ending)
    try:
        if not path.is_file():
            raise RecordError(f"{path} is not a file: give the sheet itself.")
        with path.open("rb") as file:
            start = file.read(4096)
    except OSError as error:
        raise RecordError(
            f"{path} cannot be opened ({error.strerror}): check that you may read it."
        ) from error
    if not start.strip(b"\0\r\n\t ,;"):
        raise RecordError(f"{path} is empty: give the sheet that has your rows.")
    if start.startswith(_PICTURE_STARTS):
        raise RecordError(_picture(path))
    if _locked(path, ending, start):
        raise RecordError(
            f"{path} is protected by a password: open it in the spreadsheet and save a copy "
            "without one, or as CSV."
        )
    if ending in TEXT and start.startswith((_OLE, _ZIP)):
        raise RecordError(
            f"{path} is a workbook that is called {ending}: give it its own ending, such as .xlsx."
        )


def _refuse_ending(path: Path, ending: str) -> None:
    """Raise RecordError for an ending that is no sheet's."""
    if ending == ".numbers":
        raise RecordError(
            f"{path} is a Numbers document, which only Numbers reads: open it there and choose "
            "File > Export To > CSV or Excel."
        )
    if ending == ".gsheet":
        raise RecordError(
            f"{path} is a link to a sheet on the internet: open it there, download it as .xlsx, "
            "and give that file."
        )
    if ending in _PICTURES:
        raise RecordError(_picture(path))
    if ending in _DOCUMENTS:
        raise RecordError(
            f"{path} is a text document: copy its table into a spreadsheet and save that as .xlsx "
            "or CSV."
        )
    if ending not in KINDS:
        raise RecordError(
            f"{path} is not a sheet that reedlab reads: save it as .xlsx, .ods, .xls or CSV."
        )


def _picture(path: Path) -> str:
    return (
        f"{path} is a picture of a table, and its numbers cannot be read: type them into a "
        "spreadsheet, or ask for the file that it was printed from."
    )


def _locked(path: Path, ending: str, start: bytes) -> bool:
    """Say whether a workbook is encrypted."""
    if ending in (".xlsx", ".xlsm"):
        return start.startswith(_OLE)  # encrypted workbooks are wrapped in the older container
    if ending == ".ods" and start.startswith(_ZIP):
        try:
            with zipfile.ZipFile(path) as archive:
                return b"encryption-data" in archive.read("META-INF/manifest.xml")
        except Exception:  # a damaged archive raises many kinds; that is said when it is read
            return False
    return ending == ".xls" and start.startswith(_OLE) and is_locked(path)
