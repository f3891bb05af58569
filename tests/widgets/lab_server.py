"""JupyterLab on a free port of this computer, and a notebook with a marking pad in it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import cohortlib

TOKEN = "only-for-this-test"
NOTEBOOK = "reading.ipynb"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class LabServer:
    """A JupyterLab of its own: its settings, kernels and notebooks lie in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.notebooks = folder / "notebooks"
        self.notebooks.mkdir(parents=True)
        config = folder / "config" / "labconfig"
        config.mkdir(parents=True)
        quiet = {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
        (config / "page_config.json").write_text(json.dumps(quiet))
        self.port = free_port()
        package = Path(cohortlib.__file__).parent.parent
        places = {
            "CONFIG_DIR": "config",
            "DATA_DIR": "data",
            "RUNTIME_DIR": "runtime",
            "CONFIG_PATH": "config",
        }
        environment = {f"JUPYTER_{name}": str(folder / place) for name, place in places.items()}
        path = os.pathsep.join([str(package), str(Path(__file__).parent)])
        environment |= {"PYTHONPATH": path, "IPYTHONDIR": str(folder / "ipython")}
        environment |= {"JUPYTER_TOKEN": TOKEN, "JUPYTERLAB_WORKSPACES_DIR": str(folder / "workspaces")}
        as_root = ["--allow-root"] if os.geteuid() == 0 else []
        self.log = (folder / "lab.log").open("wb")
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "jupyterlab",
                "--no-browser",
                "--ServerApp.ip=127.0.0.1",
                f"--ServerApp.port={self.port}",
                "--ServerApp.port_retries=0",
                f"--ServerApp.root_dir={self.notebooks}",
                "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
                "--LabApp.news_url=None",
                "--LabApp.extension_manager=readonly",
                *as_root,
            ],
            cwd=folder,
            env={**os.environ, **environment},
            stdout=self.log,
            stderr=self.log,
            start_new_session=True,
        )

    @property
    def address(self) -> str:
        """Of the notebook, ready to be opened."""
        return f"http://127.0.0.1:{self.port}/lab/tree/{NOTEBOOK}?token={TOKEN}&reset"

    def wait(self, *, seconds: float) -> None:
        """Until it answers."""
        until = time.monotonic() + seconds
        while True:
            try:
                status = f"http://127.0.0.1:{self.port}/api/status?token={TOKEN}"
                urllib.request.urlopen(status, timeout=5).close()
            except (urllib.error.URLError, OSError):
                if self.process.poll() is not None or time.monotonic() > until:
                    raise RuntimeError((self.folder / "lab.log").read_text()[-2000:]) from None
                time.sleep(0.1)
            else:
                return

    def write_notebook(self, *cells: str) -> None:
        """The notebook with these cells of code, not run yet."""
        made = [
            {
                "cell_type": "code",
                "execution_count": None,
                "id": f"c{place}",
                "metadata": {},
                "outputs": [],
                "source": text,
            }
            for place, text in enumerate(cells)
        ]
        kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
        notebook = {"cells": made, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
        (self.notebooks / NOTEBOOK).write_text(json.dumps(notebook))

    def request(self, method: str, path: str) -> bytes:
        asked = urllib.request.Request(f"http://127.0.0.1:{self.port}/{path}", method=method)
        asked.add_header("Authorization", f"token {TOKEN}")
        with urllib.request.urlopen(asked, timeout=10) as answer:
            return bytes(answer.read())

    def kill_kernels(self) -> None:
        """End every kernel at once, as a power cut would."""
        pids = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.process.pid)],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        for line in pids:
            pid, arguments = line.split(maxsplit=1)
            if "ipykernel" in arguments:
                os.kill(int(pid), signal.SIGKILL)

    def stop(self) -> None:
        with contextlib.suppress(OSError):  # it may never have answered
            for kernel in json.loads(self.request("GET", "api/kernels")):
                self.request("DELETE", f"api/kernels/{kernel['id']}")
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
        self.log.close()
