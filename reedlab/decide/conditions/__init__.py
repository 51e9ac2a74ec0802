"""What the workshop's conditions do: season, air, the gouger, and cane that was not measured.

What comes in is a bench; what goes out is an answer a question. Open `season_effects.py` first.
"""
