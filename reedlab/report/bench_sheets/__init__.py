"""Pages for the bench: the pencil sheet of a batch, labels for finished reeds, the phone page.

What comes in is a bench or the rows of a sheet; what goes out is one self-contained HTML page: to
print on A4 across and on Letter, or to note by thumb. Open `pencil.py` first, and `phone.py`.
"""
