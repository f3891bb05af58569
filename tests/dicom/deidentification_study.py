"""A hospital folder, a study folder and a key beside each other, and what an independent validator says."""

import shutil
import subprocess

import pytest
from hospital_files import HOSPITAL_ID, written

from cohortlib.dicom import write_deidentified
from cohortlib.dicom.deidentification.key import write_key


class Intake:
    """Folders of one de-identification below a temporary folder."""

    def __init__(self, root, files, patients=None):
        self.hospital = written(root / "hospital", files)
        self.study = root / "study"
        self.images = self.study / "images"
        self.study.mkdir(exist_ok=True)
        (self.study / "study.toml").write_text('title = "Test"\n')
        self.key = root / "own" / "key.json"
        self.key.parent.mkdir(exist_ok=True)
        write_key(self.key, patients or {HOSPITAL_ID: "P001"}, study_folder=self.study)

    def run(self, **options):
        return write_deidentified(self.hospital, self.images, key=self.key, **options)

    def only(self):
        """The path of the one file that was written."""
        found = self.run()
        assert found["problem"].tolist() == [""], found["problem"].tolist()
        return self.images / found["path"].item()


def validator_errors(path):
    """The lines of `dciodvfy` (Debian dicom3tools) that begin with Error."""
    if not shutil.which("dciodvfy"):
        pytest.skip("dciodvfy is not installed (Debian package dicom3tools)")
    done = subprocess.run(
        ["dciodvfy", str(path)], capture_output=True, text=True, errors="replace", check=False
    )
    return {line for line in (done.stdout + done.stderr).splitlines() if "Error" in line}
