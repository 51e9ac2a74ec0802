"""A gauge study: whether a gauge distinguishes pieces, and how many readings of one are enough.

What comes in is a bench with a gauge table: some pieces measured two or three times each, by one
hand or several, in mixed order. What goes out are variance components (`repeatability.py`) and
limits of agreement of two hands or gauges (`hands.py`). Open `repeatability.py` first.
"""
