"""A posterior that fails its checks is said on the page, without the place in the code."""

import nbformat

from reedlab.report.pages import running


def test_a_page_keeps_the_sentence_of_a_warning_and_no_path(tmp_path):
    notebook = nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_code_cell(
                "from reedlab.mixed import fit\n"
                "from reedlab.mixed.posterior.priors import Priors\n"
                "from reedlab.simulate import simulate_reeds\n"
                "reeds, _ = simulate_reeds(seed=1)\n"
                "model = fit('success ~ 1 + (1 | supplier/lot)', reeds, family='binomial')\n"
                "wide = model.posterior(priors=Priors().scaled(2.0)).diagnostics()\n"
                "import warnings\n"
                "from reedlab.errors import FontWarning\n"
                "warnings.warn('No installed font has x.', FontWarning)\n"
                "warnings.warn('of another library.', RuntimeWarning)\n"
                "import sys; print('at 10:30: another line', file=sys.stderr)"
            )
        ]
    )
    path = tmp_path / "1.ipynb"
    nbformat.write(notebook, path)
    result = running.run(path)
    assert result.ending is running.Ending.WHOLE, result.reason
    told = "".join(output["text"] for output in result.notebook.cells[0].outputs)
    first, second, third, last = told.splitlines()
    assert first.startswith("The posterior fails a check: change of mean 1/success is")
    assert first.endswith("take medians or smaller prior scales.")
    assert second == "No installed font has x."
    assert third == "RuntimeWarning: of another library."
    assert last == "at 10:30: another line"
