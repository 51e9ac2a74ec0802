"""A process that loads what notebooks use, and makes kernels by copying itself.

Loading the libraries takes a kernel seconds. Here one process loads them and opens the bench, while
the first answer is worked out beside it; each kernel is then a fork of it, which starts at once and
shares its memory. It takes its settings and its folder from `isolation`, as a kernel of its own
does, and a request is a line of JSON on its standard input, answered by the number of the new
process. When the input ends it ends, and its kernels with it.

Forks are made on Linux alone, since the libraries of other systems may not survive one, and only
while this process has a single thread. Where there is none, kernels start as they would without it.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import Any, Self

from reedlab.report.pages import isolation

_USED = ("ipykernel.kernelapp", "reedlab.report.display", "pingouin", "seaborn",
         "statsmodels.genmod.generalized_estimating_equations",
         "statsmodels.regression.mixed_linear_model")  # fmt: skip
"""What notebooks use beside the public names of reedlab."""


class ForkServer:
    """Makes kernels of a process that has loaded what they need; a context manager.

    Parameters
    ----------
    bench : pathlib.Path
        The bench that the kernels will open.
    scratch : pathlib.Path
        Where the process has its temporary folder.
    """

    def __init__(self, bench: Path, scratch: Path) -> None:
        self._asking = Lock()
        self._process: subprocess.Popen[str] | None = None
        self._folder = tempfile.TemporaryDirectory(
            prefix="reedlab-", dir=scratch, ignore_cleanup_errors=True
        )
        if sys.platform == "linux":
            own = Path(self._folder.name)
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-m", __name__, str(bench.resolve())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                cwd=isolation.working_folder(own),
                env=isolation.environment(own),
                text=True,
                start_new_session=True,  # Ctrl-C is for the process that writes the report
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()
        if self._process is not None:
            for pipe in filter(None, (self._process.stdin, self._process.stdout)):
                with suppress(OSError):  # of a request that the process no longer read
                    pipe.close()
        self._folder.cleanup()

    def end(self) -> None:
        """End the process; whoever waits for a kernel of it waits no longer."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def fork(self, arguments: list[str], cwd: str, env: dict[str, str]) -> int | None:
        """Make a kernel; return the number of its process, None where none can be made."""
        if self._process is None or self._process.stdin is None or self._process.stdout is None:
            return None
        request = json.dumps({"arguments": arguments, "cwd": cwd, "env": env})
        with self._asking, suppress(OSError, ValueError):  # as where the process is gone
            self._process.stdin.write(request + "\n")
            self._process.stdin.flush()
            return int(self._process.stdout.readline())
        return None


def _serve(bench: str) -> None:
    """Load, open the bench, and fork a kernel a request until the requests end."""
    import gc
    import warnings
    from importlib import import_module

    import reedlab

    os.environ["MPLBACKEND"] = "module://matplotlib_inline.backend_inline"  # as a kernel sets it
    for name in _USED:
        import_module(name)
    for name in reedlab.__all__:
        getattr(reedlab, name)
    with suppress(Exception), warnings.catch_warnings(action="ignore"):
        reedlab.open_bench(bench)  # what is wrong with it, the kernels will say
    gc.freeze()
    if len([*Path("/proc/self/task").iterdir()]) > 1:
        return
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nothing is left of a kernel that ended
    server = os.getpid()
    for line in sys.stdin:
        kernel = os.fork()
        if not kernel:
            _become_kernel(server, **json.loads(line))
        print(kernel, flush=True)


def _become_kernel(server: int, arguments: list[str], cwd: str, env: dict[str, str]) -> None:
    """Be a kernel, with a folder and an environment of its own, and end as one."""
    from ipykernel.kernelapp import IPKernelApp

    try:
        os.setsid()
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (sys.stdin, sys.stdout):
            os.dup2(nothing, stream.fileno())
        os.chdir(cwd)
        os.environ.clear()
        os.environ.update(env)
        # It ends when that process has ended.
        IPKernelApp.launch_instance([*arguments, f"--IPKernelApp.parent_handle={server}"])
    finally:
        os._exit(0)


def provisioner(server: ForkServer, manager: Any) -> Any:
    """Return what has a server make a manager's kernel, and starts one itself where it cannot."""
    import psutil
    from jupyter_client.provisioning import LocalProvisioner

    class Process:
        """A process that is no child of this one, as the provisioner handles its own."""

        stdin = stdout = stderr = None

        def __init__(self, number: int) -> None:
            self.pid, self._found = number, None
            with suppress(psutil.NoSuchProcess):
                self._found = psutil.Process(number)

        def poll(self) -> int | None:
            return None if self._found is not None and self._found.is_running() else 1

        def wait(self) -> None:
            if self._found is not None:
                self._found.wait()

        def send_signal(self, number: int) -> None:
            with suppress(psutil.NoSuchProcess):
                if self._found is not None:
                    self._found.send_signal(number)

    class Provisioner(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
            kernel = server.fork(cmd[cmd.index("-f") :], options["cwd"], options["env"])
            if kernel is None:
                return await super().launch_kernel(cmd, **options)
            self.process = Process(kernel)  # type: ignore[assignment]
            self.pid = self.pgid = kernel
            return self.connection_info

    return Provisioner(kernel_id=manager.kernel_id, kernel_spec=manager.kernel_spec, parent=manager)


if __name__ == "__main__":
    _serve(sys.argv[1])
