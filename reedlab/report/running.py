"""Run a notebook on a bench, and keep what it shows in a form that does not change by itself.

A notebook names its bench in one cell tagged ``parameters``: ``bench_dir = ""`` is the shipped
demo. Run here it is given another; when a cell refuses (a `ReedlabError`, because these records
cannot tell), the notebook ends there with the reason, and nothing else is lost.
"""

from __future__ import annotations

import copy
import json
import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reedlab import errors
from reedlab.paths import shipped

CELL_SECONDS = 600  # a cell that takes longer has hung
_WARNING = re.compile(r"^.*:\d+: PosteriorWarning: (.*)\n(?:  .*\n)?", re.MULTILINE)
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}


@dataclass(frozen=True)
class Run:
    """One notebook after its run.

    Attributes
    ----------
    name : str
        The notebook's file name without its ending, such as ``"04-suppliers"``.
    notebook : nbformat.NotebookNode
        The notebook with its outputs, up to the cell that stopped it.
    stopped : str or None
        Why it stopped early, in a sentence; None when it ran to its end.
    fault : bool
        True when what stopped it was no refusal of reedlab's but a fault.
    """

    name: str
    notebook: Any
    stopped: str | None = None
    fault: bool = False

    @property
    def title(self) -> str:
        """The notebook's first heading: its question."""
        first = self.notebook.cells[0].source.splitlines()[0]
        return str(first.lstrip("# "))

    @property
    def why(self) -> str:
        """Why it stopped early, a fault of reedlab's own said to be one; "" where it did not."""
        fault = "a fault of reedlab's own, not of your records: " if self.fault else ""
        return f"{fault}{self.stopped or ''}"

    @property
    def short(self) -> str:
        """A name for menus, such as "Scrape time"."""
        return self.name.split("-", 1)[-1].replace("-", " ").capitalize()

    def tagged(self, tag: str) -> list[Any]:
        """Return the cells that carry a tag."""
        return [cell for cell in self.notebook.cells if tag in cell.metadata.get("tags", [])]

    def as_file(self) -> bytes:
        """Return the notebook as the bytes of its file."""
        import nbformat

        return (nbformat.writes(self.notebook) + "\n").encode()


def notebooks() -> list[Path]:
    """Return the shipped notebooks, in their order."""
    return sorted(shipped("notebooks").glob("[0-9]*.ipynb"))


def run(path: Path, bench_dir: str = "", folder: Path | None = None) -> Run:
    """Execute one notebook on a bench.

    Parameters
    ----------
    path : pathlib.Path
        The notebook; it is read and never written.
    bench_dir : str
        What the parameters cell shall say; ``""`` is the demo.
    folder : pathlib.Path, optional
        Where the kernel runs, so that `bench_dir` may be relative to it and no page holds a path.

    Returns
    -------
    Run
    """
    import nbformat
    from nbclient.exceptions import CellExecutionError, CellTimeoutError

    notebook = with_parameters(nbformat.read(path, as_version=4), bench_dir)
    with tempfile.TemporaryDirectory(prefix="reedlab-") as own:
        stopped, fault = None, False
        try:
            _execute(notebook, own, str(folder or own))
        except CellExecutionError as error:
            fault = not hasattr(errors, error.ename)
            stopped = f"{error.ename}: {error.evalue}" if fault else error.evalue
        except CellTimeoutError:
            stopped, fault = f"a cell took longer than {CELL_SECONDS} seconds.", True
    return Run(path.stem, cut_at_error(tidy(notebook)), stopped, fault)


def _execute(notebook: Any, own: str, folder: str, starts: int = 3) -> None:
    """Run a notebook in a kernel of its own, which may be started again.

    A kernel that starts beside others may find that one of the ports it was given was taken in the
    meantime. It dies before any cell has run, so nothing is lost by another start.
    """
    from jupyter_client.kernelspec import KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient

    # No installed kernel description is asked: the kernel is this very interpreter, and the
    # user's own IPython set-up has no say in what the notebook shows.
    manager = AsyncKernelManager(
        kernel_name="python3", kernel_spec_manager=KernelSpecManager(kernel_dirs=[])
    )
    client = NotebookClient(
        notebook,
        km=manager,
        timeout=CELL_SECONDS,
        record_timing=False,
        extra_arguments=["--log-level=ERROR"],  # a kernel has nothing to say on a terminal
        resources={"metadata": {"path": folder}},
    )
    try:
        client.execute(env={**os.environ, "IPYTHONDIR": own})
    except RuntimeError as died:
        if starts == 1 or "before replying to kernel_info" not in str(died):
            raise
        _execute(notebook, own, folder, starts - 1)


def with_parameters(notebook: Any, bench_dir: str) -> Any:
    """Return a copy of a notebook whose parameters cell names a bench; outputs are emptied."""
    notebook = copy.deepcopy(notebook)
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = f"bench_dir = {json.dumps(bench_dir, ensure_ascii=False)}"
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return notebook


def cut_at_error(notebook: Any) -> Any:
    """Return the notebook up to the cell that raised, that cell's own output taken off."""
    for place, cell in enumerate(notebook.cells):
        kept = [o for o in cell.get("outputs", []) if o.output_type != "error"]
        if len(kept) < len(cell.get("outputs", [])):
            cell.outputs = kept
            notebook.cells = notebook.cells[: place + 1]
            break
    return notebook


def tidy(notebook: Any) -> Any:
    """Take off what changes from run to run or from machine to machine, and nothing a reader sees.

    Metadata keeps the kernel's name and the language; cells keep their tags; of a posterior's
    warning the sentence stays, without the file and the line of code that it came from.
    """
    notebook.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    for cell in notebook.cells:
        cell.metadata = {key: cell.metadata[key] for key in ("tags",) if key in cell.metadata}
        for output in cell.get("outputs", []):
            if output.get("name") == "stderr":
                output["text"] = _WARNING.sub(r"\1\n", output["text"])
    return notebook
