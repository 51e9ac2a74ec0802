"""When to stop working on a piece: before it is tied, or after the rough scrape.

What comes in is a bench; what goes out are rules tried on lots that they have not seen, and what
each saved. Open `before_tying.py` or `after_roughing.py` first.
"""
