"""A maker's own sheet becomes a bench: what it holds is guessed, the rest is asked.

What comes in is any sheet, or a folder of them; what goes out is a new folder with a ``bench.toml``
that names the sheet and says what its headings and words mean. The sheet is never changed. Open
`adopting.py` first, then `proposing.py`; `vocabulary.toml` has the headings and words.
"""
