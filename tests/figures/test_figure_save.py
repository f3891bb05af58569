"""Figures on disk: size, fonts, colours, bytes, sidecar."""

from __future__ import annotations

import hashlib
import json
import re
import zlib
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from figure_tables import hips, pairs
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from PIL import Image

from cohortlib import __version__
from cohortlib.errors import StudyError
from cohortlib.figures.save import data_hash, save_figure
from cohortlib.figures.style import finish_figure, look, make_figure

DATA = hips(6)
GOOD = {
    "data": DATA,
    "alt_text": "Two rising lines, “before” and after.",
    "n_patients": 6,
    "n_hips": 8,
}


def picture(size: str = "single column", height_mm: float = 61.3) -> Figure:
    with look(size):
        figure = make_figure(size, height_mm=height_mm)
        axes = figure.add_subplot()
        axes.plot([0, 1], [0, 1], label="µ ≥ 2.5 ± 0.1°")
        axes.imshow(np.eye(4), extent=(0, 0.2, 0, 0.2))
        axes.legend()
        return finish_figure(figure)


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    folder = tmp_path_factory.mktemp("saved")
    return save_figure(picture(), folder / "figure_1.v2", **GOOD), folder


# --- by hand ---------------------------------------------------------------------------------------


def test_files_written(saved):
    paths, folder = saved
    names = ["figure_1.v2.pdf", "figure_1.v2.svg", "figure_1.v2.png", "figure_1.v2.tiff", "figure_1.v2.json"]
    assert [path.name for path in paths] == names
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)


def test_pdf_is_exact_millimetres(saved):
    box = re.search(rb"/MediaBox \[ ?([\d. ]+)\]", saved[0][0].read_bytes()).group(1)
    left, bottom, right, top = (float(value) / 72 * 25.4 for value in box.split())
    assert (left, bottom) == (0, 0)
    assert (right, top) == pytest.approx((85, 61.3), abs=1e-3)


def test_svg_is_exact_millimetres(saved):
    root = ElementTree.fromstring(saved[0][1].read_text(encoding="utf-8"))
    points = [float(root.get(side).removesuffix("pt")) for side in ("width", "height")]
    assert [value / 72 * 25.4 for value in points] == pytest.approx([85, 61.3], abs=1e-3)


@pytest.mark.parametrize("place", [2, 3])
def test_pixels_are_the_nearest_whole_number(saved, place):
    with Image.open(saved[0][place]) as image:
        # 85 mm at 300 dpi are 1003.94 pixels, 61.3 mm are 724.02.
        assert image.size == (1004, 724)
        assert [float(value) for value in image.info["dpi"]] == pytest.approx([300, 300], abs=0.01)
        assert image.mode == "RGB"


def test_tiff_is_lzw(saved):
    with Image.open(saved[0][3]) as image:
        assert image.info["compression"] == "tiff_lzw"
        assert image.tag_v2[296] == 2  # resolution unit: inch
        assert image.tag_v2[277] == 3  # samples a pixel: no transparency


def test_pdf_fonts_are_truetype(saved):
    content = saved[0][0].read_bytes()
    streams = [_inflated(part) for part in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL)]
    everything = content + b"".join(streams)
    assert b"/FontFile2" in everything
    assert b"/Type3" not in everything
    assert b"/Subtype /TrueType" in everything or b"/CIDFontType2" in everything


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


def test_svg_text_is_text(saved):
    root = ElementTree.fromstring(saved[0][1].read_text(encoding="utf-8"))
    texts = ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "µ ≥ 2.5 ± 0.1°" in texts


def test_alt_text_is_in_the_files(saved):
    assert GOOD["alt_text"] in saved[0][1].read_text(encoding="utf-8")
    with Image.open(saved[0][2]) as image:
        assert image.info["Description"] == GOOD["alt_text"]


def test_sidecar(saved):
    paths, folder = saved
    sidecar = json.loads(paths[-1].read_text(encoding="utf-8"))
    assert sidecar["figure"] == "figure_1.v2"
    assert sidecar["alt_text"] == GOOD["alt_text"]
    assert (sidecar["n_patients"], sidecar["n_hips"]) == (6, 8)
    assert sidecar["size_mm"] == [85.0, 61.3]
    assert sidecar["cohortlib"] == __version__
    assert sidecar["data"]["sha256"] == data_hash(DATA)
    assert sidecar["data"]["tables"] == {"data": {"rows": 8, "columns": ["arm", "hip_id", "patient_id"]}}
    assert list(sidecar["files"]) == [path.name for path in paths[:-1]]
    for name, digest in sidecar["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_sidecar_holds_no_row_of_the_data(saved):
    assert "P00" not in saved[0][-1].read_text(encoding="utf-8")


def test_no_date_in_any_file(saved):
    for path in saved[0]:
        assert not re.search(
            rb"CreationDate|ModDate|<dc:date>|DateTime|\b20\d\d-\d\d-\d\d", path.read_bytes()
        )


def test_canonical_csv_by_hand():
    table = pd.DataFrame({"b": [2, 1], "a": [0.5, np.nan]})
    expected = hashlib.sha256(b"data\na,b\n,1\n0.5,2\n\n").hexdigest()
    assert data_hash(table) == expected


def test_slide_is_whole_pixels(tmp_path):
    paths = save_figure(picture("slide", 190.5), tmp_path / "slide", formats=("png",), dpi=72, **GOOD)
    with Image.open(paths[0]) as image:
        assert image.size == (960, 540)


# --- by law ----------------------------------------------------------------------------------------


def test_same_data_same_bytes(saved, tmp_path):
    again = save_figure(picture(), tmp_path / "figure_1.v2", **GOOD)
    for first, second in zip(saved[0], again, strict=True):
        assert first.read_bytes() == second.read_bytes(), first.name


def test_saving_twice_changes_nothing(tmp_path):
    figure = picture()
    options = GOOD | {"formats": ("svg", "png"), "dpi": 72}
    first = [path.read_bytes() for path in save_figure(figure, tmp_path / "same", **options)]
    second = [path.read_bytes() for path in save_figure(figure, tmp_path / "same", **options)]
    assert first == second


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_hash_does_not_see_order(seed):
    rng = np.random.default_rng(seed)
    table = pairs()
    shuffled = table.sample(frac=1, random_state=seed)[list(rng.permutation(table.columns))]
    assert data_hash(shuffled) == data_hash(table)
    assert data_hash({"a": table, "b": DATA}) == data_hash({"b": DATA, "a": shuffled})


@settings(max_examples=20, deadline=None)
@given(row=st.integers(0, 34), change=st.floats(1e-9, 1e3))
def test_hash_sees_every_value(row, change):
    table = pairs()
    changed = table.copy()
    changed.loc[row, "reader A"] += change
    assert data_hash(changed) != data_hash(table)


def test_hash_does_not_see_how_numbers_are_stored():
    whole = pd.DataFrame({"n": [1, 2], "day": pd.to_datetime(["2030-01-02", "2030-02-03"])})
    assert data_hash(whole.astype({"n": float})) == data_hash(whole)
    assert data_hash(whole.assign(n=[1, 3])) != data_hash(whole)


# --- by failure ------------------------------------------------------------------------------------

BAD = [
    ({"alt_text": "  "}, r"alt_text: found '  '\. Expected a sentence"),
    ({"alt_text": "a\x00b"}, "alt_text: .* no control characters"),
    ({"n_patients": 0}, "n_patients: found 0"),
    ({"n_patients": 7}, "n_patients: found 7. Expected at most 6, as the tables hold"),
    ({"n_hips": 5}, "n_hips: found 5. Expected at least n_patients, 6"),
    ({"n_hips": True}, "n_hips: found True"),
    ({"formats": ("pdf", "gif")}, "formats: found pdf, gif"),
    ({"formats": ()}, "formats: found"),
    ({"data": DATA.head(0)}, "data: found a table without rows"),
    ({"data": {}}, "data: found a table without rows"),
    ({"dpi": 100_000}, "dpi: found 100000. Expected 72 to 1200"),
]


@pytest.mark.parametrize(("change", "message"), BAD)
def test_refused(tmp_path, change, message):
    with pytest.raises(StudyError, match=message):
        save_figure(Figure(), tmp_path / "figure", **(GOOD | change))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["", ".hidden", "a b", "a\nb", "=cmd"])
def test_name_must_be_plain(tmp_path, name):
    with pytest.raises(StudyError, match="path_stem"):
        save_figure(Figure(), f"{tmp_path}/{name}", **GOOD)


def test_folder_must_exist(tmp_path):
    with pytest.raises(StudyError, match="Expected a folder that exists"):
        save_figure(Figure(), tmp_path / "none" / "figure", **GOOD)


def test_nothing_is_left_half_written(tmp_path, monkeypatch):
    figure = picture()
    before = figure.get_size_inches().copy()

    def fail(*_, **__):
        raise OSError("disk full")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OSError, match="disk full"):
        save_figure(figure, tmp_path / "figure", formats=("png",), dpi=72, **GOOD)
    assert list(tmp_path.iterdir()) == []
    assert (figure.get_size_inches() == before).all()
