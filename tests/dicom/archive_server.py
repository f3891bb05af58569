"""A real DICOM archive on this computer for the time of a test: Debian's orthanc with its DICOMweb plugin."""

import contextlib
import json
import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest
import requests

USER, PASSWORD = "reader", "a password for this test only"
_PLUGIN_FOLDERS = ("/usr/share/orthanc/plugins", "/usr/lib/orthanc", "/usr/local/share/orthanc/plugins")
_PATIENCE_S = 30


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def _programs():
    """The server and its plugin, or the test is skipped."""
    program = shutil.which("Orthanc", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    plugin = next(
        (path for folder in _PLUGIN_FOLDERS if (path := Path(folder) / "libOrthancDicomWeb.so").exists()),
        None,
    )
    if not program or not plugin:
        pytest.skip("no archive to test against: install the Debian packages orthanc and orthanc-dicomweb")
    return program, plugin


@contextlib.contextmanager
def archive(folder):
    """Start an archive with its data in a folder; gives its address, and stops it at the end."""
    program, plugin = _programs()
    port = free_port()
    settings = {
        "Name": "test",
        "StorageDirectory": str(folder / "data"),
        "IndexDirectory": str(folder / "data"),
        "Plugins": [str(plugin)],
        "HttpPort": port,
        "RemoteAccessAllowed": False,
        "AuthenticationEnabled": True,
        "RegisteredUsers": {USER: PASSWORD},
        "DicomServerEnabled": False,
        "SslEnabled": False,
        "DicomWeb": {"Enable": True, "Root": "/dicom-web/", "Ssl": False},
        "LimitFindResults": 50,
    }
    (folder / "data").mkdir(parents=True)
    (folder / "settings.json").write_text(json.dumps(settings))
    with (folder / "log.txt").open("wb") as log:
        process = subprocess.Popen(
            [program, str(folder / "settings.json")],
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
            cwd=folder,
        )
        try:
            _wait_for(f"http://127.0.0.1:{port}", process, folder)
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(20)


def _session():
    session = requests.Session()
    session.trust_env, session.auth = False, (USER, PASSWORD)
    return session


def _wait_for(address, process, folder):
    end = time.monotonic() + _PATIENCE_S
    with _session() as session:
        while time.monotonic() < end and process.poll() is None:
            with contextlib.suppress(requests.ConnectionError):
                if session.get(f"{address}/system", timeout=5).status_code == 200:
                    return
            time.sleep(0.1)
    pytest.fail("the archive did not start:\n" + (folder / "log.txt").read_text(errors="replace")[-2000:])


def fill(address, contents):
    """Put files into the archive."""
    with _session() as session:
        for content in contents:
            answer = session.post(f"{address}/instances", data=content, timeout=30)
            assert answer.status_code == 200, answer.text
