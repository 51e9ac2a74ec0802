"""The start notebook: reedlab with buttons instead of a terminal, in JupyterLab.

A bench's folder comes in, or nothing yet; what its maker asks for by a button goes out on the page
and into the bench. Open `serving.py` first: it starts JupyterLab on this machine alone, in a
private folder; `forms.py` has the buttons, `shell/` what hides the rest of JupyterLab.
"""
