"""The pages on benches of the first months: they answer or refuse, and never break down."""

import contextlib

import nbformat
import pandas as pd
import pytest

from reedlab.decide.answer import CannotAnswer
from reedlab.errors import ReedlabError
from reedlab.paths import shipped
from reedlab.report.pages.running import notebooks, with_parameters

COLUMNS = [
    "reed",
    "lot",
    "piece",
    "maker",
    "tied_on",
    "outcome",
    "judged_on",
    "rough_min",
    "finish_min",
]


@pytest.fixture(params=[3, 40, 150])
def young(request, tmp_path):
    """Return the demo's first reeds, as they stood on the day of the last one."""
    tables = {name: pd.read_csv(shipped("data") / "demo" / f"{name}.csv", dtype=str)
              for name in ("lots", "pieces", "reeds")}  # fmt: skip
    reeds = tables["reeds"].sort_values("tied_on").head(request.param)[COLUMNS]
    late = reeds["judged_on"] > reeds["tied_on"].max()
    tables["reeds"] = reeds.assign(
        lot=reeds["lot"].fillna(reeds["piece"].map(tables["pieces"].set_index("piece")["lot"])),
        outcome=reeds["outcome"].mask(late),
        judged_on=reeds["judged_on"].mask(late),
    )
    for name, frame in tables.items():
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    return tmp_path


@pytest.mark.parametrize("name", ["01-records", "02-success", "03-scrape-time", "05-cane"])
def test_a_page_answers_or_refuses(young, name):
    (path,) = (path for path in notebooks() if path.stem == name)
    notebook = with_parameters(nbformat.read(path, as_version=4), str(young))
    names = {}
    with contextlib.suppress(ReedlabError):
        for cell in notebook.cells:
            if cell.cell_type == "code":
                exec(compile(cell.source, f"{name}: {cell.id}", "exec"), names)
    assert "bench" in names


@pytest.mark.parametrize("young", [40, 150], indirect=True)
def test_where_no_reed_turned_out_well_the_page_of_minutes_says_so(young):
    reeds = pd.read_csv(young / "reeds.csv", dtype=str)
    reeds.assign(outcome=reeds["outcome"].where(reeds["outcome"].isna(), "reject")).to_csv(
        young / "reeds.csv", index=False
    )
    (path,) = (path for path in notebooks() if path.stem == "03-scrape-time")
    notebook, names = with_parameters(nbformat.read(path, as_version=4), str(young)), {}
    with pytest.raises(CannotAnswer) as refusal:
        for cell in notebook.cells:
            if cell.cell_type == "code":
                exec(compile(cell.source, f"{path.stem}: {cell.id}", "exec"), names)
    assert refusal.value.record_next
    assert str(refusal.value).startswith("No reed that is asked about has its minutes: none has")
