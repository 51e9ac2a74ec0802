"""Sentences, numbers and tables as a reader meets them.

What comes in are answers and frames; what goes out is text. Open `sentences.py` first,
`numbers.py` for how a number is written.
"""
