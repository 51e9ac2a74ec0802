"""A gauge study: can it tell these pieces apart, and how many readings of one are enough.

A study is a handful of pieces measured two or three times each, by one hand or by several, in an
order that nobody remembers. `repeatability.py` takes what readings differ by apart, `hands.py` lays
two hands or two gauges side by side. Open `repeatability.py` first.
"""
