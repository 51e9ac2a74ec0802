"""What reedlab writes for a maker: an empty bench, and a marked copy of a checked one.

What comes in is a folder's name or a bench; what goes out are new files. Files that exist are never
changed. Open `starting.py` first.
"""
