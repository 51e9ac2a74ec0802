"""LibreOffice Calc at the end of a list of commands, so that files are really written by it.

``drive(commands)`` starts LibreOffice without a window and carries the commands out in a Basic
macro: ``new``, ``open url``, ``sheet name``, ``text row column content``, ``number``, ``formula``,
``format row column code language country``, ``merge row column columns``, ``say row column`` (what
the cell shows), ``offers row column`` (where its drop-down takes its words), ``hidden column``,
``save url filter options``, ``lock url filter password``. Rows and columns count from 0, as
LibreOffice does.
"""

import shutil
import subprocess
import tempfile
from pathlib import Path

CSV = "Text - txt - csv (StarCalc)"
XLSX = "Calc MS Excel 2007 XML"

_MACRO = """
Option Explicit

Sub Main
  Dim files, lines, answers, doc, sheet, part, cell, locale, key, args, entry
  files = createUnoService("com.sun.star.ucb.SimpleFileAccess")
  lines = createUnoService("com.sun.star.io.TextInputStream")
  lines.setInputStream(files.openFileRead("@COMMANDS@"))
  lines.setEncoding("UTF-8")
  answers = createUnoService("com.sun.star.io.TextOutputStream")
  answers.setOutputStream(files.openFileWrite("@ANSWERS@"))
  answers.setEncoding("UTF-8")
  Do While Not lines.isEOF()
    part = Split(lines.readLine(), Chr(9))
    If UBound(part) >= 2 And part(0) <> "save" And part(0) <> "open" And part(0) <> "lock" Then
      cell = sheet.getCellByPosition(CLng(part(2)), CLng(part(1)))
    End If
    Select Case part(0)
    Case "new"
      doc = StarDesktop.loadComponentFromURL("private:factory/scalc", "_blank", 0, Hidden(""))
      sheet = doc.Sheets.getByIndex(0)
    Case "open"
      doc = StarDesktop.loadComponentFromURL(part(1), "_blank", 0, Hidden(""))
      sheet = doc.Sheets.getByIndex(0)
    Case "sheet"
      If Not doc.Sheets.hasByName(part(1)) Then
        If doc.Sheets.Count = 1 And doc.Sheets.getByIndex(0).Name = "Sheet1" Then
          doc.Sheets.getByIndex(0).Name = part(1)
        Else
          doc.Sheets.insertNewByName(part(1), doc.Sheets.Count)
        End If
      End If
      sheet = doc.Sheets.getByName(part(1))
    Case "text"
      cell.String = Join(Split(part(3), "\\n"), Chr(10))
    Case "number"
      cell.Value = CDbl(part(3))
    Case "formula"
      cell.Formula = part(3)
    Case "format"
      locale = createUnoStruct("com.sun.star.lang.Locale")
      locale.Language = part(4)
      locale.Country = part(5)
      key = doc.NumberFormats.queryKey(part(3), locale, False)
      If key = -1 Then key = doc.NumberFormats.addNew(part(3), locale)
      cell.NumberFormat = key
    Case "merge"
      sheet.getCellRangeByPosition(CLng(part(2)), CLng(part(1)), _
        CLng(part(2)) + CLng(part(3)) - 1, CLng(part(1))).merge(True)
    Case "say"
      answers.writeString(cell.String & Chr(10))
    Case "offers"
      answers.writeString(cell.Validation.Type & " " & cell.Validation.getFormula1() & Chr(10))
    Case "hidden"
      answers.writeString(CStr(Not sheet.Columns.getByIndex(CLng(part(2))).IsVisible) & Chr(10))
    Case "sheets"
      For Each entry In doc.Sheets.ElementNames
        answers.writeString(entry & " " & CStr(doc.Sheets.getByName(entry).IsVisible) & Chr(10))
      Next
    Case "save"
      doc.storeToURL(part(1), Saved(part(2), part(3)))
    Case "lock"
      doc.storeToURL(part(1), Locked(part(2), part(3)))
    Case "close"
      doc.close(True)
    End Select
  Loop
  answers.closeOutput()
  lines.closeInput()
  StarDesktop.terminate()
End Sub

Function Hidden(filter)
  Dim args(0) As New com.sun.star.beans.PropertyValue
  args(0).Name = "Hidden" : args(0).Value = True
  Hidden = args()
End Function

Function Locked(filter, password)
  Dim args(1) As New com.sun.star.beans.PropertyValue
  args(0).Name = "FilterName" : args(0).Value = filter
  args(1).Name = "Password" : args(1).Value = password
  Locked = args()
End Function

Function Saved(filter, options)
  Dim args(1) As New com.sun.star.beans.PropertyValue
  args(0).Name = "FilterName" : args(0).Value = filter
  args(1).Name = "FilterOptions" : args(1).Value = options
  Saved = args()
End Function
"""

_MODULE = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE script:module PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "module.dtd">
<script:module xmlns:script="http://openoffice.org/2000/script" script:name="Drive" \
script:language="StarBasic">{}</script:module>
"""
_LIBRARY = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE library:library PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "library.dtd">
<library:library xmlns:library="http://openoffice.org/2000/library" library:name="Standard" \
library:readonly="false" library:passwordprotected="false">{}</library:library>
"""
_LIBRARIES = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE library:libraries PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "libraries.dtd">
<library:libraries xmlns:library="http://openoffice.org/2000/library" \
xmlns:xlink="http://www.w3.org/1999/xlink"><library:library library:name="Standard" \
library:link="false"/></library:libraries>
"""

_SET_UP = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Setup/Office"><prop oor:name="ooSetupInstCompleted" oor:op="fuse">\
<value>true</value></prop></item></oor:items>
"""


def drive(commands, timeout=120):
    """Carry out commands in LibreOffice and return the lines that it answered."""
    office = shutil.which("soffice")
    assert office, "LibreOffice is not installed"
    with tempfile.TemporaryDirectory() as room:
        room = Path(room)
        told, answers = room / "commands", room / "answers"
        told.write_text("\n".join("\t".join(map(str, c)) for c in commands), encoding="utf-8")
        macro = _MACRO.replace("@COMMANDS@", told.as_uri()).replace("@ANSWERS@", answers.as_uri())
        for mark, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
            macro = macro.replace(mark, entity)
        basic = room / "profile/user/basic/Standard"
        basic.mkdir(parents=True)
        (basic / "Drive.xba").write_text(_MODULE.format(macro), encoding="utf-8")
        named = '<library:element library:name="Drive"/>'
        (basic / "script.xlb").write_text(_LIBRARY.format(named), encoding="utf-8")
        (basic / "dialog.xlb").write_text(_LIBRARY.format(""), encoding="utf-8")
        # Without this LibreOffice lays its own empty macros over ours when it first starts.
        (basic.parents[1] / "registrymodifications.xcu").write_text(_SET_UP, encoding="utf-8")
        for kind in ("script", "dialog"):
            (basic.parent / f"{kind}.xlc").write_text(_LIBRARIES, encoding="utf-8")
        profile = f"-env:UserInstallation={(room / 'profile').as_uri()}"
        run = [office, profile, "--headless", "--norestore", "macro:///Standard.Drive.Main"]
        done = subprocess.run(run, timeout=timeout, capture_output=True, text=True, check=False)
        assert answers.exists(), done.stderr
        return answers.read_text(encoding="utf-8").splitlines()
