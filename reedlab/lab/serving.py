"""JupyterLab on this machine alone, on a private copy of the start notebook.

The server's root is a folder of its own, which holds nothing but that copy: no notebook of a bench
can be opened there. The server and its kernels get the environment of `isolation`, so that neither
a bench nor the user's own Python, IPython and Jupyter brings code or settings.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from reedlab.errors import ReedlabError
from reedlab.report.pages import isolation
from reedlab.report.pages.running import load_jupyter, with_parameters

HERE = Path(__file__).resolve().parent
START = "start.ipynb"
START_SECONDS = 120
_KERNEL = "reedlab"
_OPTIONS = (
    "--ServerApp.ip=127.0.0.1",
    "--ServerApp.open_browser=False",
    "--ServerApp.allow_root=True",  # whoever runs reedlab may run its kernels
    "--ServerApp.terminals_enabled=False",
    "--ServerApp.log_level=ERROR",
    "--KernelSpecManager.ensure_native_kernel=False",
    f"--MultiKernelManager.default_kernel_name={_KERNEL}",
    f"--KernelSpecManager.allowed_kernelspecs={{'{_KERNEL}'}}",
    "--LabApp.extension_manager=readonly",
)
_SETTINGS = {
    "@jupyterlab/apputils-extension:themes": {"adaptive-theme": True},  # light or dark as the desk
    "@jupyterlab/apputils-extension:notification": {
        "checkForUpdates": False, "doNotDisturbMode": True, "fetchNews": "false",
    },
}  # fmt: skip
_OF_THE_SCREEN = ("DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY", "XDG_RUNTIME_DIR",
                  "DBUS_SESSION_BUS_ADDRESS")  # fmt: skip
"""What a button needs that opens a written page in the user's browser."""


def serve(bench: Path | None, ready: Callable[[str], None]) -> None:
    """Start JupyterLab on the start notebook, and stay until it ends or Ctrl-C ends it.

    The forms open the bench, or let one be chosen there; `ready` is called once with the address,
    which holds the token. Raises ReedlabError when the forms' library is not installed, or
    JupyterLab does not start.
    """
    if find_spec("ipywidgets") is None:
        raise ReedlabError(
            "the forms need ipywidgets, which is not installed: run `pip install 'reedlab[lab]'`."
        )
    for name in ("SIGTERM", "SIGHUP"):  # a window that is closed ends the server as Ctrl-C does
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.default_int_handler)
    with tempfile.TemporaryDirectory(prefix="reedlab-lab-", ignore_cleanup_errors=True) as folder:
        own = Path(folder)
        command, options = laid_out(own, bench)
        with (own / "log").open("wb") as log:
            process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, **options
            )
        try:
            ready(_address(process, own))
            process.wait()
        except KeyboardInterrupt:
            pass
        finally:
            process.terminate()  # which ends its kernels too
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()


def laid_out(own: Path, bench: Path | None) -> tuple[list[str], dict[str, Any]]:
    """Lay out a private folder for a server; return its command and its surroundings.

    `own` is a temporary folder for this server alone; the start notebook is given the bench.
    """
    load_jupyter()
    import nbformat

    environment = isolation.environment(own)
    environment |= {name: os.environ[name] for name in _OF_THE_SCREEN if name in os.environ}
    root, data = isolation.working_folder(own), own / "jupyter"
    notebook = nbformat.read(HERE / START, as_version=4)
    notebook = with_parameters(notebook, str(bench.resolve()) if bench else "")
    nbformat.write(notebook, root / START)
    kernel = data / "kernels" / _KERNEL
    kernel.mkdir(parents=True)
    described = {"argv": isolation.KERNEL_COMMAND, "display_name": _KERNEL, "language": "python"}
    (kernel / "kernel.json").write_text(json.dumps(described), "utf-8")
    (data / "labconfig").mkdir()
    (data / "labconfig" / "default_setting_overrides.json").write_text(json.dumps(_SETTINGS))
    shutil.copytree(HERE / "shell", data / "labextensions" / "reedlab-start")
    command = [sys.executable, "-I", "-m", "jupyterlab", *_OPTIONS, f"--ServerApp.root_dir={root}"]
    return command, {"cwd": root, "env": environment}


def _address(process: subprocess.Popen[bytes], own: Path) -> str:
    """Wait until a server says where it is; the token is in no list of processes."""
    said = own / "jupyter" / f"jpserver-{process.pid}.json"
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end and process.poll() is None:
        try:
            server = json.loads(said.read_text("utf-8"))
            return f"{server['url']}doc/tree/{START}?token={server['token']}"
        except (OSError, ValueError):  # not there yet, or not whole
            time.sleep(0.1)
    last = (own / "log").read_text("utf-8", "replace").strip().splitlines()[-1:]
    raise ReedlabError(f"JupyterLab did not start ({' '.join(last) or 'no reason given'}).")
