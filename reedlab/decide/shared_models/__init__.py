"""What several questions are answered from: posteriors of success and minutes, once a bench.

Reeds and their circumstances come in; posteriors, slopes of the cane and notes on what moved come
out. Open `models.py` first.
"""
