"""Does the model do: residuals, held-out lots and replicated responses.

A fit comes in; frames with tests and their power go out. Open `residuals.py` first.
"""
