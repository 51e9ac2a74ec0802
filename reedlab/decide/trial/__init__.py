"""A trial at the bench: the one way to know what a setting of gouge or scrape does.

Records show association, because a maker changes the gouge when it is winter. A trial randomises:
blanks of one lot, taken two at a time in the order in which they are made; chance decides
which of each pair gets which setting; whoever judges sees a number and nothing else.

``plan`` draws the order, counts the blanks that it takes and writes the sheets; ``read`` says what
they show. Open `blanks.py` first (what a trial compares), then `sheets.py` (what the maker and the
judge fill in), `new_trial.py` and `analysis.py`.
"""

from __future__ import annotations

from reedlab.decide.trial.analysis import TrialAnswer, read
from reedlab.decide.trial.new_trial import TrialPlan, plan

__all__ = ["TrialAnswer", "TrialPlan", "plan", "read"]
