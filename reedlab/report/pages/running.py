"""Run notebooks on a bench, and keep what they show in a form that does not change by itself.

A notebook names its bench in one cell tagged ``parameters``: ``bench_dir = ""`` is the shipped
demo. Run here it is given another by its full path, in a kernel that works elsewhere; the copy that
is kept names it as its reader may and holds no path of the machine. When a cell refuses (a
`ReedlabError`, because these records cannot answer), the notebook ends there with the reason, and
nothing else is lost. One kernel runs one notebook after another, each in an empty namespace.
"""

from __future__ import annotations

import asyncio
import copy
import json
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from html import escape
from pathlib import Path
from threading import Event
from typing import Any, Self

from reedlab.errors import (
    ConvergenceWarning,
    FontWarning,
    PosteriorWarning,
    SeparationWarning,
)
from reedlab.paths import shipped
from reedlab.report.pages import isolation
from reedlab.report.pages.fork_server import ForkServer, provisioner

CELL_SECONDS = 600  # a cell that takes longer has hung
LOOK_SECONDS = 0.2  # how often a run looks whether it shall stop
_LOST = (
    "the program that works this page out was ended from outside, often because memory ran out; "
    "close other programs and run the report again."
)
_OWN = "|".join(
    kind.__name__ for kind in (PosteriorWarning, SeparationWarning, ConvergenceWarning, FontWarning)
)
_WARNING = re.compile(rf"^.*:\d+: (?:(?:{_OWN}): |(?=\w*Warning: ))(.*)\n(?:  .*\n)?", re.MULTILINE)
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
# What a kernel whose cell raised is asked: the class decides, not a name or a wording.
_REFUSED = (
    "isinstance(__import__('sys').last_value, __import__('reedlab.errors').errors.ReedlabError)"
)
# What a kernel does between two notebooks: names and outputs go, and warnings are shown again.
# What is left are modules and the open bench, which no later collection need look at.
_EMPTY = """
get_ipython().reset(new_session=True)
with __import__("warnings").catch_warnings():
    __import__("gc").collect()
__import__("gc").freeze()
"""


class Ending(Enum):
    """How a notebook's run ended."""

    WHOLE = "at its last cell"
    REFUSED = "where these records cannot answer"
    FAULT = "at a fault of reedlab's own"
    LOST = "where its kernel died"


@dataclass(frozen=True)
class Run:
    """One notebook after its run."""

    name: str  # the notebook's file name without its ending, such as ``"04-suppliers"``
    notebook: Any  # the notebook with its outputs, up to the cell that stopped it
    ending: Ending = Ending.WHOLE  # whether it ran to its end, and what stopped it where it did not
    reason: str = ""  # why it stopped early, in a sentence; ``""`` where it did not

    @property
    def title(self) -> str:
        """The notebook's first heading: its question."""
        first = self.notebook.cells[0].source.splitlines()[0]
        return str(first.lstrip("# "))

    @property
    def stopped(self) -> bool:
        """Whether it stopped before its last cell."""
        return self.ending is not Ending.WHOLE

    @property
    def broken(self) -> bool:
        """Whether something other than these records stopped it."""
        return self.ending in (Ending.FAULT, Ending.LOST)

    @property
    def why(self) -> str:
        """Why it stopped early, a fault of reedlab's own said to be one; "" where it did not."""
        fault = self.ending is Ending.FAULT
        return ("a fault of reedlab's own, not of your records: " if fault else "") + self.reason

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

        return (nbformat.writes(self.notebook) + "\n").encode(errors="replace")


def load_jupyter() -> None:
    """Load what reads and runs notebooks, without the grammar of web addresses.

    `jsonschema` builds that grammar as it is loaded, which takes longer than all else, and checking
    a notebook does not need it: it does without where `rfc3987_syntax` is not installed.
    """
    grammar = "rfc3987_syntax"
    if "jsonschema" in sys.modules or grammar in sys.modules:
        return  # loaded already, with the grammar or without
    sys.modules[grammar] = None  # type: ignore[assignment]
    try:
        import nbformat  # noqa: F401
    finally:
        del sys.modules[grammar]


def notebooks() -> list[Path]:
    """Return the shipped notebooks, in their order."""
    return sorted(shipped("notebooks").glob("[0-9]*.ipynb"))


def run(path: Path, bench: Path | None = None, named: str = "") -> Run:
    """Execute one notebook as `Kernel.run` does, in a kernel of its own."""
    with Kernel() as kernel:
        return kernel.run(path, bench, named)


class Kernel:
    """Runs notebooks one after another in one kernel, and in a new one after it died.

    A context manager, for one thread; on leaving it no kernel is left.

    Parameters
    ----------
    scratch : pathlib.Path, optional
        Where the kernels' temporary folders are made; the system's place when not given.
    stop : threading.Event, optional
        Ends the kernel within a second once it is set.
    server : ForkServer, optional
        Makes the kernels; without it each is a new process that loads for itself.
    """

    def __init__(
        self,
        scratch: Path | None = None,
        stop: Event | None = None,
        server: ForkServer | None = None,
    ) -> None:
        load_jupyter()
        self._scratch, self._stop, self._server = scratch, stop or Event(), server
        self._manager: Any = None
        self._client: Any = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        # The loop that zmq needs on Windows too.
        self._runner = asyncio.Runner(loop_factory=asyncio.SelectorEventLoop)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with self._runner:
            self._runner.run(self._end())

    def run(self, path: Path, bench: Path | None = None, named: str = "") -> Run:
        """Execute a notebook, which is read and never written, on a bench, or on the demo.

        `named` is what the kept copy says for the bench's path, in its parameters cell and in its
        outputs: the path from where the copy will be. When its kernel dies, the run ends there with
        `Ending.LOST`.
        """
        import nbformat

        place = str(bench.resolve()) if bench else ""
        notebook = with_parameters(nbformat.read(path, as_version=4), place)
        ending, reason, last = self._execute(notebook)
        notebook = tidy(notebook if ending is Ending.WHOLE else cut_after(notebook, last))
        if place:
            renamed = _renaming(place, named)
            notebook, reason = _renamed(notebook, named, renamed), renamed(reason)
        return Run(path.stem, notebook, ending, reason)

    def _execute(self, notebook: Any, starts: int = 3) -> tuple[Ending, str, int]:
        """Run a notebook; return how it ended, why, and its last cell's place.

        A kernel that starts beside others may find that one of the ports it was given was taken in
        the meantime. It dies before any cell has run, so nothing is lost by another start.
        """
        from nbclient import NotebookClient
        from nbclient.exceptions import CellExecutionError, CellTimeoutError

        ending, last = Ending.WHOLE, 0

        async def note_the_cell(cell_index: int, **_: Any) -> None:
            nonlocal last
            last = cell_index

        async def ask_what_stopped_it(**_: Any) -> None:
            nonlocal ending
            ending = Ending.REFUSED if await _refused(client.kc) else Ending.FAULT

        client = NotebookClient(
            notebook,
            km=self._manager or self._new(),
            timeout=CELL_SECONDS,
            record_timing=False,
            extra_arguments=["--log-level=ERROR"],  # a kernel has nothing to say on a terminal
            on_cell_start=note_the_cell,
            on_cell_error=ask_what_stopped_it,
        )
        client.kc = self._client
        try:
            self._runner.run(self._until_stopped(client))
            return ending, "", last
        except CellExecutionError as error:
            named = "" if ending is Ending.REFUSED else f"{error.ename}: "
            return ending, f"{named}{error.evalue}", last
        except CellTimeoutError:
            return Ending.FAULT, f"a cell took longer than {CELL_SECONDS} seconds.", last
        except RuntimeError:  # the kernel died, or did not start
            if starts == 1 or client.code_cells_executed or self._stop.is_set():
                return Ending.LOST, _LOST, last
        return self._execute(notebook, starts - 1)

    def _new(self) -> Any:
        """Make the manager of a kernel that is to be started, with a folder of its own."""
        from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
        from jupyter_client.manager import AsyncKernelManager

        class OnlyThisOne(KernelSpecManager):
            """No installed kernel description is asked: the kernel is this very interpreter."""

            def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
                return KernelSpec(argv=[*isolation.KERNEL_COMMAND], **KERNEL)

        self._folder = tempfile.TemporaryDirectory(
            prefix="reedlab-", dir=self._scratch, ignore_cleanup_errors=True
        )
        self._manager = AsyncKernelManager(
            kernel_name=KERNEL["name"],
            kernel_spec_manager=OnlyThisOne(),
            connection_file=str(Path(self._folder.name) / "kernel.json"),
        )
        if self._server is not None:
            self._manager.provisioner = provisioner(self._server, self._manager)
        return self._manager

    async def _until_stopped(self, client: Any) -> None:
        """Run a client's notebook to its end or until told to stop; keep the kernel if it can."""
        from nbclient.exceptions import CellExecutionError

        usable = False
        of_a_start: dict[str, Any] = {}
        if self._folder is not None and self._client is None:
            own = Path(self._folder.name)
            of_a_start["cwd"] = str(isolation.working_folder(own))
            of_a_start["env"] = isolation.environment(own)
        work = asyncio.ensure_future(client.async_execute(**of_a_start))
        try:
            while not work.done():
                await asyncio.wait({work}, timeout=LOOK_SECONDS)
                if self._stop.is_set():
                    work.cancel()
            await work
            usable = True
        except CellExecutionError:
            usable = True
            raise
        finally:
            self._client = client.kc
            if not (usable and await self._emptied()):
                await self._end()

    async def _emptied(self) -> bool:
        """Empty the kernel's namespace for the next notebook; False where none answers."""
        if self._client is None:
            return False
        try:
            return (await _asked(self._client, _EMPTY))["status"] == "ok"
        except (RuntimeError, TimeoutError):
            return False

    async def _end(self) -> None:
        """End the kernel, if there is one, and remove its folder."""
        if self._manager is not None and self._manager.has_kernel:
            await self._manager.shutdown_kernel(now=True)
        if self._client is not None:
            self._client.stop_channels()
        if self._folder is not None:
            self._folder.cleanup()
        self._manager = self._client = self._folder = None


async def _refused(kernel: Any) -> bool:
    """Ask a kernel whether what its cell raised is of reedlab's own family of errors."""
    content = await _asked(kernel, "", {"own": _REFUSED})
    return bool(content["user_expressions"]["own"]["data"]["text/plain"] == "True")


async def _asked(
    kernel: Any, code: str, expressions: dict[str, str] | None = None
) -> dict[str, Any]:
    """Have a kernel run code that shows nothing, and return its reply."""
    content: dict[str, Any] = {"status": "aborted"}  # as it answers for a moment after an error
    while content["status"] == "aborted":
        asked = {"user_expressions": expressions, "reply": True, "timeout": CELL_SECONDS}
        content = (await kernel.execute(code, silent=True, **asked))["content"]
    return content


def with_parameters(notebook: Any, bench_dir: str) -> Any:
    """Return a copy of a notebook whose parameters cell names a bench; outputs are emptied."""
    notebook = copy.deepcopy(notebook)
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = _parameter(bench_dir)
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return notebook


def _parameter(bench_dir: str) -> str:
    as_it_is = bench_dir.isprintable()  # as bytes that are no text are not
    return f"bench_dir = {json.dumps(bench_dir, ensure_ascii=not as_it_is)}"


def _renaming(place: str, named: str) -> Callable[[str], str]:
    """Return a function that replaces a path in a text, also as a repr or in HTML."""
    from markupsafe import escape as escaped_as_templates_do

    written: tuple[Callable[[str], str], ...] = (
        str,
        lambda text: repr(text)[1:-1],
        lambda text: escape(text, quote=False),
        escape,
        lambda text: str(escaped_as_templates_do(text)),
    )
    names = {form(place): form(named) for form in written}
    longest_first = sorted(map(re.escape, names), key=len, reverse=True)
    pattern = re.compile(rf"(?<!\w)({'|'.join(longest_first)})(?!\w)")
    return lambda text: pattern.sub(lambda found: names[found.group()], text)


def _renamed(notebook: Any, named: str, renamed: Callable[[str], str]) -> Any:
    """Take the bench's path out of a notebook that ran: of its parameters and of what it shows."""
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = _parameter(named)
        for output in cell.get("outputs", []):
            if "text" in output:
                output["text"] = renamed(output["text"])
            shown = output.get("data", {})
            shown.update({k: renamed(v) for k, v in shown.items() if k.startswith("text/")})
            words = output.get("metadata", {}).get("image/png", {})
            words.update({k: renamed(v) for k, v in words.items() if k == "alt"})
    return notebook


def cut_after(notebook: Any, last: int) -> Any:
    """Return a notebook up to the cell that stopped it, without that cell's error."""
    notebook.cells = notebook.cells[: last + 1]
    cell = notebook.cells[-1]
    if "outputs" in cell:
        cell.outputs = [output for output in cell.outputs if output.output_type != "error"]
    return notebook


_KEPT = ("tags", "jupyter")
"""Metadata of a cell that is stored."""


def tidy(notebook: Any) -> Any:
    """Take off what changes from run to run or from machine to machine, and nothing a reader sees.

    Metadata keeps the kernel's name and the language; cells keep their tags and whether their code
    is folded; of a warning the sentence stays, without the file and the line of code
    that raised it.
    """
    notebook.metadata = {"kernelspec": KERNEL, "language_info": {"name": "python"}}
    for cell in notebook.cells:
        cell.metadata = {key: cell.metadata[key] for key in _KEPT if key in cell.metadata}
        for output in cell.get("outputs", []):
            if output.get("name") == "stderr":
                output["text"] = _WARNING.sub(r"\1\n", output["text"])
    return notebook
