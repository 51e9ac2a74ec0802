"""When to stop working on a piece: before it is tied, or after the rough scrape.

What comes in is a bench; what goes out are rules tried on held-out lots, and what
each saved. Open `before_tying.py` or `after_roughing.py` first.
"""
