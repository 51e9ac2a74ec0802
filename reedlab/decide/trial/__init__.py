"""A trial at the bench: the one way to know what a setting of gouge or scrape does.

Records show association, because a maker changes the gouge when it is winter. A trial breaks the
tie: blanks of one lot, taken two at a time in the order in which they are made; chance decides
which of each pair gets which setting; whoever judges sees a number and nothing else.

``plan`` draws the order and counts the blanks that it takes, ``sheets`` writes and reads what the
maker and the judge fill in, ``analysis`` says what they show.
"""

from __future__ import annotations

from reedlab.decide.trial.analysis import TrialAnswer, analyse, paired_difference, paired_ratio
from reedlab.decide.trial.plan import Plan, Usual, draw, number_needed, usual
from reedlab.decide.trial.sheets import Trial, read_trial, write_trial

__all__ = [
    "Plan",
    "Trial",
    "TrialAnswer",
    "Usual",
    "analyse",
    "draw",
    "number_needed",
    "paired_difference",
    "paired_ratio",
    "read_trial",
    "usual",
    "write_trial",
]
