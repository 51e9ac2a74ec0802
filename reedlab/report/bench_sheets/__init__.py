"""Pages to print for the bench: the pencil sheet of a batch, and labels for finished reeds.

What comes in is a bench or the rows of a sheet; what goes out is one self-contained HTML page, made
for A4 across and for Letter. Open `pencil.py` first.
"""
