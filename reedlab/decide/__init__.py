"""Decisions: one room a question, each answer a frozen `Answer` with frames and a sentence.

A question takes a bench and returns its answer; `answer.py` says what every answer has. Open the
room of the question: `suppliers/` (which supplier to buy from), `stopping/` (which pieces and
blanks to give up), `conditions/` (season, air, gouger, what was not measured), `gauge/`, `trial/`.
What they share is beside them: evidence, models, the next lot, costs, worth, draws.
"""
