"""Damaged headers: a listed problem or success, the originals untouched, nothing written elsewhere."""

import datetime
import os
import re

import numpy as np
import pytest
from deidentification_study import Intake
from hospital_files import ct_slice, hospital_film, identity
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import ExplicitVRBigEndian, ImplicitVRLittleEndian

from cohortlib.dicom import find_images, image_series
from cohortlib.dicom.finding.columns import IMAGE_COLUMNS

DAY = datetime.date(2031, 3, 9)
PIXELS = np.random.default_rng(2).integers(0, 4096, (6, 5)).astype(np.uint16)
FILES = [
    hospital_film(pixels=PIXELS),
    hospital_film(pixels=PIXELS, syntax=ImplicitVRLittleEndian, private=False),
    hospital_film(pixels=PIXELS, syntax=ExplicitVRBigEndian, private=False),
    ct_slice((1, 2, 3), **{**identity(DAY), "Modality": "CT"}),
]
#: Bytes that mean something: ends of text, separators, signs, lengths without end, tags of sequences
PIECES = [
    b"\0", b"\xff", b"\xff\xff\xff\xff", b"\\", b" ", b"-", b"/", b"..", b"../../x", b"=", b"9", b"SQ", b"UN",
    b"OB",     b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0", b"\xe0\x7f\x10\x00", b"\x10\x00\x20\x00", b"\x1b$B",
    b"\r\n", b"\xed\xa0",
]  # fmt: skip
WRITTEN = re.compile(r"P001/(\d{4}-\d\d-\d\d|undated)/(\w{1,16}_)?[0-9a-f]{16}/[0-9a-f]{24}\.dcm")


@st.composite
def damaged(draw):
    """A file with up to six places changed, and sometimes its end missing; mostly in the header."""
    content = bytearray(draw(st.sampled_from(FILES)))
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(128, len(content) - 1))
        piece = draw(st.one_of(st.sampled_from(PIECES), st.binary(min_size=1, max_size=4)))
        kind = draw(st.sampled_from(["over", "over", "over", "in", "out"]))
        if kind == "over":
            content[place : place + len(piece)] = piece
        elif kind == "in":
            content[place:place] = piece
        else:
            del content[place : place + len(piece)]
    if draw(st.integers(0, 9)) == 0:
        del content[draw(st.integers(0, len(content))) :]
    return bytes(content)


@pytest.fixture(scope="module", autouse=True)
def without_waiting_for_the_disk():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)
        yield


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.data_too_large, HealthCheck.too_slow]
)
@given(contents=st.lists(damaged(), min_size=6, max_size=6))
def test_damaged_headers(tmp_path_factory, contents):
    root = tmp_path_factory.mktemp("fuzz")
    originals = {f"{number}.dcm": content for number, content in enumerate(contents)}
    originals["sound.dcm"] = hospital_film(pixels=PIXELS, image="sound")
    intake = Intake(root, originals)
    before = files(root)

    images = find_images(intake.hospital, index=root / "index.json", workers=1)
    assert images["path"].tolist() == sorted(originals)
    assert list(images) == list(IMAGE_COLUMNS)
    assert images.set_index("path").loc["sound.dcm", "problem"] == ""
    again = find_images(intake.hospital, index=root / "index.json", workers=1)
    assert images.equals(again)
    assert image_series(images)["n_files"].sum() == (images["problem"] == "").sum()

    found = intake.run()
    assert found["source"].tolist() == sorted(originals)
    assert ((found["path"] == "") == (found["problem"] != "")).all()
    assert found.set_index("source").loc["sound.dcm", "problem"] == ""

    after = files(root)
    (root / "index.json").unlink()
    written = {path.removeprefix("study/images/") for path in after if path.startswith("study/images/")}
    assert written == set(found["path"]) - {""}
    assert all(WRITTEN.fullmatch(path) for path in written)
    assert set(after) == set(before) | {f"study/images/{path}" for path in written} | {"index.json"}
    assert all(after[path] == content for path, content in before.items())
    for path in written:
        assert b"Quistorp" not in after[f"study/images/{path}"]


@pytest.mark.parametrize("length", range(0, len(FILES[0]), 97))
def test_a_file_cut_anywhere(tmp_path, length):
    intake = Intake(tmp_path, {"cut.dcm": FILES[0][:length]})
    assert find_images(intake.hospital)["problem"].item() != "" or length > len(FILES[0]) - 40
    assert intake.run()["path"].tolist() == [""]
