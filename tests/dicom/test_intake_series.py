"""Series of images: what their files agree in, and gaps between slices."""

import numpy as np
import pytest
from dx_writer import film_bytes
from hospital_files import PIXELS, ct_slice, hospital_film, written
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.dicom import find_images, image_series
from cohortlib.dicom.finding.series import SERIES_COLUMNS
from cohortlib.dicom.finding.slices import block_facts

AXIAL = np.array([1.0, 0, 0, 0, 1, 0])


def series_of(tmp_path, slices, **files):
    content = {f"{n:03d}": one for n, one in enumerate(slices)} | files
    return image_series(find_images(written(tmp_path / "images", content)))


# by hand


def test_one_row_a_series(tmp_path):
    found = series_of(tmp_path, [ct_slice((0, 0, z)) for z in (0, 2, 4)], film=hospital_film())
    assert list(found) == list(SERIES_COLUMNS)
    ct = found.set_index("modality").loc["CT"]
    assert (ct["n_files"], ct["n_instances"], ct["n_unusable"]) == (3, 3, 0)
    assert (ct["slice_spacing_mm"], ct["n_missing_slices"], ct["n_repeated_slices"]) == (2, 0, 0)
    assert (ct["plane"], ct["row_spacing_mm"], ct["spacing_source"]) == ("axial", 0.7, "reconstruction")
    assert (ct["tube_voltage_kv"], ct["exposure_mas"], ct["ctdi_vol_mgy"]) == (120, 100, 4.5)
    assert (ct["note"], ct["path"]) == ("", "000")
    film = found.set_index("modality").loc["DX"]
    assert (film["n_files"], film["manufacturer"], film["model"]) == (1, "Invented Imaging", "Plate 3")
    assert np.isnan(film["slice_spacing_mm"])


def test_two_missing_slices(tmp_path):
    # 0 1 2 . . 5 6: three millimetres where one is usual
    found = series_of(tmp_path, [ct_slice((0, 0, z)) for z in (0, 1, 2, 5, 6)]).iloc[0]
    assert (found["slice_spacing_mm"], found["n_missing_slices"]) == (1, 2)
    assert found["note"] == "slices are missing, first behind 2.0 mm along their normal"


def test_exposure_is_the_mean_where_it_varies(tmp_path):
    found = series_of(tmp_path, [ct_slice((0, 0, z), Exposure=mas) for z, mas in enumerate((90, 100, 140))])
    assert found["exposure_mas"].item() == 110
    assert found["note"].item() == ""


def test_what_the_files_contradict_each_other_in(tmp_path):
    slices = [ct_slice((0, 0, 0)), ct_slice((0, 0, 1), PatientID="P002"), ct_slice((0, 0, 2), KVP=100)]
    found = series_of(tmp_path, slices).iloc[0]
    assert found["note"] == "several patient_id; several tube_voltage_kv"
    assert found["patient_id"] == ""
    assert np.isnan(found["tube_voltage_kv"])


def test_copies_are_told_from_slices(tmp_path):
    found = series_of(tmp_path, [ct_slice((0, 0, z), image=z) for z in (0, 1, 1, 2)]).iloc[0]
    assert (found["n_files"], found["n_instances"], found["n_repeated_slices"]) == (4, 3, 1)
    assert found["note"] == "the same image more than once; several slices at the same place"


def test_files_that_cannot_be_used_are_counted(tmp_path):
    found = series_of(tmp_path, [ct_slice((0, 0, z)) for z in (0, 1, 2)], cut=ct_slice((0, 0, 3))[:-20])
    assert (found["n_files"].item(), found["n_unusable"].item()) == (3, 1)


def test_a_scout_of_two_planes(tmp_path):
    coronal = ct_slice((0, 0, 0), cosines=(1, 0, 0, 0, 0, -1), image=9)
    found = series_of(tmp_path, [ct_slice((0, 0, 1)), coronal]).iloc[0]
    assert found["note"] == "several plane"
    assert np.isnan(found["slice_spacing_mm"])


def test_a_tilted_gantry(tmp_path):
    # The table moves along the body, the slices are tilted by 10 degrees: the first pixel drifts in the plane
    tilt = np.deg2rad(10)
    cosines = (1, 0, 0, 0, np.cos(tilt).round(6), np.sin(tilt).round(6))
    found = series_of(tmp_path, [ct_slice((0, 0, 3 * n), cosines=cosines) for n in range(6)]).iloc[0]
    assert found["slice_spacing_mm"] == pytest.approx(3 * np.cos(tilt), abs=1e-4)
    assert "sheared" in found["note"]


def test_no_images_no_series(tmp_path):
    found = series_of(tmp_path, [], junk=b"junk")
    assert (len(found), list(found)) == (0, list(SERIES_COLUMNS))


def test_images_that_only_claim_a_series(tmp_path):
    assert len(series_of(tmp_path, [], film=film_bytes(PIXELS))) == 0


# by law


@settings(max_examples=100, deadline=None)
@given(
    spacing=st.floats(0.3, 5),
    count=st.integers(6, 40),
    angles=st.tuples(st.floats(-3, 3), st.floats(-1.5, 1.5), st.floats(-3, 3)),
    start=st.tuples(*[st.floats(-500, 500)] * 3),
    seed=st.integers(0, 99),
)
def test_gaps_do_not_depend_on_how_the_body_lies(spacing, count, angles, start, seed):
    random = np.random.default_rng(seed)
    kept = np.sort(random.choice(np.arange(1, count - 1), size=count - 2 - count // 6, replace=False))
    kept = np.concatenate([[0], kept, [count - 1]])
    turn = np.eye(3)
    for axis, angle in enumerate(angles):
        one, other = np.roll([0, 1, 2], -axis)[1:]
        step = np.eye(3)
        step[one, one] = step[other, other] = np.cos(angle)
        step[one, other], step[other, one] = -np.sin(angle), np.sin(angle)
        turn = turn @ step
    places = np.array(start) + np.outer(kept * spacing, turn[:, 2])
    facts = block_facts(random.permutation(places), np.concatenate([turn[:, 0], turn[:, 1]]))
    assert facts["slice_spacing_mm"] == pytest.approx(spacing, rel=1e-6)
    assert facts["n_missing_slices"] == count - len(kept)
    assert facts["n_repeated_slices"] == 0
    assert "sheared" not in facts["note"]
    assert "uneven" not in facts["note"]


# by failure


def test_two_blocks_pushed_together_are_uneven():
    along = np.concatenate([np.arange(10), np.arange(10) + 9.6])
    places = np.stack([0 * along, 0 * along, along], axis=1)
    assert "uneven" in block_facts(places, AXIAL)["note"]


def test_two_slices_have_no_usual_distance():
    facts = block_facts(np.array([[0.0, 0, 0], [0, 0, 7]]), AXIAL)
    assert np.isnan(facts["slice_spacing_mm"])
    assert facts["n_missing_slices"] == 0
