"""JupyterLab on this computer alone, at the first notebook."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from cohortlib.commands.project import Project
from cohortlib.commands.study import make_films
from cohortlib.files import make_folder, write_whole

FIRST_NOTEBOOK = "notebooks/00_start_here.ipynb"


def open_lab(project: Project, options: Sequence[str]) -> int:
    """Make the films if they are missing and open JupyterLab; its exit code.

    Parameters
    ----------
    project
        Whose notebooks are opened.
    options
        Of JupyterLab, added to ours.
    """
    make_films(project)
    command = lab_command(project, options)
    os.chdir(project.root)
    settings = [str(write_settings(project)), os.environ.get("JUPYTER_CONFIG_PATH", "")]
    os.environ["JUPYTER_CONFIG_PATH"] = os.pathsep.join(filter(None, settings))
    if os.name == "posix":  # JupyterLab takes this process over, so that Ctrl-C reaches it alone
        os.execv(command[0], command)
    return subprocess.call(command)


def write_settings(project: Project) -> Path:
    """Write what JupyterLab takes from a file only: it does not offer news; the folder to be searched."""
    folder = project.out / "lab"
    quiet = {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
    write_whole(make_folder(folder / "labconfig") / "page_config.json", json.dumps(quiet) + "\n")
    return folder


def lab_command(project: Project, options: Sequence[str]) -> list[str]:
    """How JupyterLab is started: on this computer alone, behind its token, asking nothing of the network."""
    as_root = ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    return [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--LabApp.default_url=/lab/tree/{FIRST_NOTEBOOK}",
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.root_dir={project.root}",
        # Without these it looks for updates, news and extensions on the network.
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        "--LabApp.extension_manager=readonly",
        *as_root,
        *options,
    ]
