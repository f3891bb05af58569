"""Films as DICOM files."""

from __future__ import annotations

import datetime
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.sr.codedict import codes

from cohortlib.errors import StudyError
from cohortlib.synthetic.dx import unique_identifier, write_dx
from cohortlib.synthetic.exposure import LARGEST
from cohortlib.synthetic.recipe import FilmRecipe

RECIPE = FilmRecipe(1, columns=120, rows=96, spacing_mm=0.25, source_to_hips_mm=1000.0)
PIXELS = np.random.default_rng(4).integers(0, LARGEST + 1, (96, 120)).astype(np.uint16)
DAY = datetime.date(2029, 3, 5)
CAPTURE = replace(RECIPE, secondary_capture=True)
OTHER = replace(RECIPE, photometric="MONOCHROME1", position="standing", collimation_mm=5.0)


def written(folder: Path, recipe: FilmRecipe = RECIPE, *, image_id: str = "I0001", seed: int = 7) -> Path:
    path = folder / f"{image_id}_{seed}.dcm"
    return write_dx(path, PIXELS, recipe, patient_id="P001", image_id=image_id, study_date=DAY, seed=seed)


# ---- by hand -------------------------------------------------------------------------------------


def test_distances_and_spacing_are_written_as_they_are(tmp_path):
    file = pydicom.dcmread(written(tmp_path))
    assert file.ImagerPixelSpacing == file.PixelSpacing == [0.25, 0.25]
    assert "PixelSpacingCalibrationType" not in file
    assert (file.DistanceSourceToDetector, file.DistanceSourceToPatient) == (1150, 1000)
    assert file.EstimatedRadiographicMagnificationFactor == pytest.approx(1.15)
    assert (file.StudyDate, file.PatientID, file.ImageComments) == ("20290305", "P001", "I0001")
    assert file.PatientName == file.PatientSex == file.PatientBirthDate == ""
    assert (file.ViewPosition, list(file.PatientOrientation)) == ("AP", ["L", "F"])
    assert file.BurnedInAnnotation == "NO"


@pytest.mark.parametrize("recipe", [RECIPE, OTHER])
def test_the_beam_axis_is_the_middle_of_the_collimated_field(tmp_path, recipe):
    file = pydicom.dcmread(written(tmp_path, recipe))
    x = (file.CollimatorLeftVerticalEdge + file.CollimatorRightVerticalEdge) / 2 - 1
    y = (file.CollimatorUpperHorizontalEdge + file.CollimatorLowerHorizontalEdge) / 2 - 1
    assert (x, y) == ((recipe.columns - 1) / 2, (recipe.rows - 1) / 2)


def test_photometric_and_presentation_agree(tmp_path):
    usual, inverse = (pydicom.dcmread(written(tmp_path, recipe)) for recipe in (RECIPE, OTHER))
    assert (usual.PhotometricInterpretation, usual.PresentationLUTShape) == ("MONOCHROME2", "IDENTITY")
    assert (inverse.PhotometricInterpretation, inverse.PresentationLUTShape) == ("MONOCHROME1", "INVERSE")
    assert (usual.PixelIntensityRelationshipSign, inverse.PixelIntensityRelationshipSign) == (-1, 1)


def test_a_secondary_capture_has_eight_bits_and_knows_neither_beam_nor_detector(tmp_path):
    file = pydicom.dcmread(written(tmp_path, CAPTURE))
    assert file.SOPClassUID == pydicom.uid.SecondaryCaptureImageStorage
    assert (file.BitsAllocated, file.BitsStored, file.HighBit) == (8, 8, 7)
    np.testing.assert_array_equal(file.pixel_array, PIXELS // 16)
    lost = ("ImagerPixelSpacing", "PixelSpacing", "DistanceSourceToDetector", "ViewPosition", "WindowCenter")
    assert not [name for name in lost if name in file]
    assert (file.PatientID, file.PhotometricInterpretation) == ("P001", "MONOCHROME2")


# ---- by reference --------------------------------------------------------------------------------


@pytest.mark.skipif(
    shutil.which("dciodvfy") is None, reason="dciodvfy (Debian: dicom3tools) is not installed"
)
@pytest.mark.parametrize(
    ("recipe", "kind"),
    [(RECIPE, "DXImageForPresentation"), (OTHER, "DXImageForPresentation"), (CAPTURE, "SCImage")],
)
def test_an_independent_checker_finds_no_error(tmp_path, recipe, kind):
    # dciodvfy, David Clunie's dicom3tools: checks the file against DICOM PS3.3
    path = written(tmp_path, recipe)
    run = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False, timeout=60)
    said = run.stdout + run.stderr
    assert kind in said
    assert not [line for line in said.splitlines() if line.startswith(("Error", "Warning"))]


def test_codes_are_those_of_the_standard(tmp_path):
    # the context groups of DICOM PS3.16 as pydicom carries them
    file = pydicom.dcmread(written(tmp_path))
    for item, code in (
        (file.AnatomicRegionSequence[0], codes.cid4031.Pelvis),
        (file.ViewCodeSequence[0], codes.cid4010.AnteroPosterior),
        (file.PatientOrientationCodeSequence[0], codes.cid19.Recumbent),
    ):
        assert (item.CodeValue, item.CodingSchemeDesignator) == (code.value, code.scheme_designator)


# ---- by law --------------------------------------------------------------------------------------


def test_pixels_come_back_as_they_went(tmp_path):
    np.testing.assert_array_equal(pydicom.dcmread(written(tmp_path)).pixel_array, PIXELS)


def test_the_same_ids_and_seed_give_the_same_bytes(tmp_path):
    (tmp_path / "again").mkdir()
    assert written(tmp_path).read_bytes() == written(tmp_path / "again").read_bytes()


def test_other_ids_or_seeds_give_other_identifiers(tmp_path):
    files = [
        pydicom.dcmread(written(tmp_path, image_id=image_id, seed=seed))
        for image_id, seed in (("I0001", 7), ("I0002", 7), ("I0001", 8))
    ]
    assert len({file.SOPInstanceUID for file in files}) == 3
    assert files[0].StudyInstanceUID == files[1].StudyInstanceUID != files[2].StudyInstanceUID


@given(seed=st.integers(0, 10**9), name=st.text(max_size=20))
def test_identifiers_are_valid(seed, name):
    identifier = pydicom.uid.UID(unique_identifier(seed, name))
    assert identifier.is_valid
    assert len(identifier) <= 64


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "pixels",
    [
        PIXELS[:-1],
        PIXELS.astype(float),
        (PIXELS + np.uint16(4096)),
        np.zeros((0, 0), dtype=np.uint16),
    ],
)
def test_pixels_of_another_film_are_refused(tmp_path, pixels):
    with pytest.raises(StudyError, match="pixels: found"):
        write_dx(tmp_path / "x.dcm", pixels, RECIPE, patient_id="P001", image_id="I1", study_date=DAY, seed=1)
    assert not (tmp_path / "x.dcm").exists()
