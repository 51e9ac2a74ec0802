"""Files become typed cells, or findings that say why not.

What comes in is a folder of CSV files or a workbook; what goes out are typed tables and findings,
and no file is ever changed. Open `folder.py` first, `cell_values.py` for a single cell.
"""
