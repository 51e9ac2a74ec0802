"""Checked tables become one row a reed, one row a piece, and the losses before tying.

What comes in are typed tables; what goes out are the frames that models and pages read. Open
`frames.py` first.
"""
