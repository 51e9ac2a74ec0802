"""Every picture: frames in, matplotlib Axes out.

`theme.py` holds the one look, `base.py` what several pictures share and how one is shown, and each
other file draws one subject. Open `base.py` first.
"""
