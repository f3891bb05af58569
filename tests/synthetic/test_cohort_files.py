"""The study on disk: tables, truth, the list of films, one film."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.synthetic import study_files
from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.synthetic.study_files import (
    SEED,
    film_fingerprint,
    film_recipes,
    make_study,
    write_film,
)
from cohortlib.tables import DICTIONARY, KEYS

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
WRITTEN = [f"tables/{name}.csv" for name in study_files.WRITTEN] + ["truth.csv", "truth_landmarks.csv"]


def folder_with_anatomy(path):
    shutil.copytree(STUDY / "anatomy", path / "anatomy")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = folder_with_anatomy(tmp_path_factory.mktemp("study"))
    make_study(folder)
    return folder


@pytest.fixture(scope="module")
def tables(made):
    text = {"keep_default_na": False, "na_values": {"answer": [""], "width_mm": [""]}}
    return {name: pd.read_csv(made / "tables" / f"{name}.csv", **text) for name in study_files.WRITTEN}


@pytest.fixture(scope="module")
def films():
    return film_recipes()


# ---------------------------------------------------------------- by hand


@pytest.mark.parametrize("name", WRITTEN)
def test_committed_file_is_what_the_code_makes_now(made, name):
    assert (made / name).read_bytes() == (STUDY / name).read_bytes(), (
        "Make the tables again: see synthetic_cohort/README.md"
    )


def test_a_hundred_and_nineteen_films(tables):
    count = tables["images"]["visit_id"].value_counts().to_dict()
    assert count == {"week_6": 59, "month_12": 54, "before": 6}
    assert tables["images"]["image_id"].tolist()[::118] == ["I0001", "I0119"]
    assert (tables["images"]["path"] == "images/" + tables["images"]["image_id"] + ".dcm").all()


def test_shares_of_unusual_films(films):
    recipes = films["recipe"]
    assert recipes.map(lambda recipe: recipe.photometric == "MONOCHROME1").sum() == 12
    spacing = recipes.map(lambda recipe: recipe.spacing_mm).value_counts().to_dict()
    assert spacing == {0.3: 108, 0.2: 3, 0.25: 4, 0.4: 4}
    width_mm = recipes.map(lambda recipe: recipe.columns * recipe.spacing_mm)
    assert np.allclose(width_mm, 420, atol=0.4)


def test_landmarks_stay_small_and_lines_end_with_a_line_feed(made):
    assert (made / "tables" / "landmarks.csv").stat().st_size < 1_500_000
    for name in WRITTEN:
        assert b"\r" not in (made / name).read_bytes()
        (made / name).read_text(encoding="ascii")  # nothing a spreadsheet could misread


# ---------------------------------------------------------------- by reference


@pytest.mark.parametrize("name", study_files.WRITTEN)
def test_every_column_keeps_what_the_data_dictionary_says(tables, name):
    """Source: cohortlib.tables.DICTIONARY."""
    table = tables[name]
    columns = DICTIONARY[name]
    assert list(table) == [column for column in columns if column in table]
    assert {column.column for column in columns.values() if column.required} <= set(table)
    for column in columns.values():
        if column.column not in table:
            continue
        values = table[column.column]
        if not column.required:
            values = values[values.astype(str).str.len().gt(0)]
        if column.kind == "choice":
            assert values.isin(column.allowed).all()
        elif column.allowed:
            assert values.dropna().between(*column.allowed).all()
        if column.required:
            assert values.astype(str).str.len().gt(0).all()
        if column.refers in tables:
            assert values.isin(tables[column.refers][f"{column.refers[:-1]}_id"]).all()
        if column.kind in ("date", "datetime"):
            form = "%Y-%m-%d" if column.kind == "date" else "%Y-%m-%dT%H:%M:%SZ"
            pd.to_datetime(values, format=form)
    if name in KEYS:
        assert not table.duplicated(list(KEYS[name])).any()


# ---------------------------------------------------------------- by law


def test_same_seed_same_films_other_seed_other_films(films):
    """The bytes of the tables are compared above, with those another process wrote."""
    pd.testing.assert_frame_equal(film_recipes(seed=SEED), films)
    other = film_recipes(seed=SEED + 1)
    assert not set(films["recipe"]) & set(other["recipe"])


def test_what_is_handed_out_may_be_changed(films):
    taken = film_recipes()
    taken["path"] = ""
    assert film_recipes()["path"].equals(films["path"])


def test_films_of_a_patient_share_bones_and_implants(films):
    """All that may differ is what happened since the operation."""
    operated = films[films["visit_id"] != "before"]
    as_put_in = {"lines": (), "subsidence_mm": 0.0, "neck_narrowing": 0.0, "ossification": 0}
    for _, recipes in operated.groupby("patient_id")["recipe"]:
        implants = [tuple(replace(implant, **as_put_in) for implant in r.implants) for r in recipes]
        own = zip(recipes, implants, strict=True)
        assert len({(r.patient_seed, r.size, r.lower_pelvis_width, put_in) for r, put_in in own}) == 1
        assert len({r.seed for r in recipes}) == len(recipes)
    assert films.loc[films["visit_id"] == "before", "recipe"].map(lambda r: r.implants == ()).all()


def test_every_film_has_a_fingerprint_of_its_own(films):
    prints = [film_fingerprint(STUDY, image_id) for image_id in films["image_id"][:20]]
    assert len(set(prints)) == 20
    assert prints[:3] == [film_fingerprint(STUDY, image_id) for image_id in films["image_id"][:3]]
    assert film_fingerprint(STUDY, "I0001", seed=SEED + 1) != prints[0]


def test_fingerprint_follows_the_anatomy(tmp_path):
    folder = folder_with_anatomy(tmp_path)
    assert film_fingerprint(folder, "I0001") == film_fingerprint(STUDY, "I0001")
    (folder / "other" / "anatomy").mkdir(parents=True)
    (folder / "other" / "anatomy" / "pelvis.npz").write_bytes(b"another pelvis")
    assert film_fingerprint(folder / "other", "I0001") != film_fingerprint(STUDY, "I0001")


# ---------------------------------------------------------------- by recovery


def test_truth_holds_the_pose_of_every_hip_on_every_film(made, tables):
    truth = pd.read_csv(made / "truth.csv", keep_default_na=False)
    hips = tables["hips"].merge(tables["images"].query("visit_id != 'before'"), on="patient_id")
    for quantity in ("inclination", "anteversion", "inclination_pelvis", "anteversion_pelvis"):
        rows = truth[truth["quantity"] == quantity]
        assert set(zip(rows["hip_id"], rows["image_id"], strict=True)) == set(
            zip(hips["hip_id"], hips["image_id"], strict=True)
        )
    film = truth[truth["quantity"] == "inclination_pelvis"].set_index("hip_id")["value"]
    hip = truth[truth["quantity"] == "cup_inclination_in_pelvis"].set_index("hip_id")["value"]
    assert np.array_equal(film, hip.reindex(film.index))
    study = truth[(truth["patient_id"] == "") & (truth["hip_id"] == "") & (truth["image_id"] == "")]
    assert study.set_index("quantity").loc["score_slope_on_cup_distance", "value"] == -0.15


def test_pose_spreads_as_put_in(films):
    tilt = films["recipe"].map(lambda recipe: recipe.tilt_deg)
    standing = films["recipe"].map(lambda recipe: recipe.position == "standing")
    assert tilt[~standing].std() == pytest.approx(4, abs=0.8)
    assert tilt[standing].mean() - tilt[~standing].mean() == pytest.approx(
        -5, abs=3 * 4 / np.sqrt(standing.sum())
    )
    for name, sd in {"rotation_deg": 2, "obliquity_deg": 2, "offset_left_mm": 8}.items():
        values = films["recipe"].map(lambda recipe, name=name: getattr(recipe, name))
        assert values.std() == pytest.approx(sd, rel=0.25)


def test_every_film_has_its_true_landmarks(made, films):
    points = pd.read_csv(made / "truth_landmarks.csv")
    assert set(points["image_id"]) == set(films["image_id"])
    teardrops = points[points["landmark"] == "teardrop"].groupby("image_id")["side"].agg(set)
    assert teardrops.map(lambda sides: sides == {"left", "right"}).all()
    size = films.set_index("image_id")["recipe"]
    points = points[points["visible"]]
    inside = [
        0 < x < size[image_id].columns and 0 < y < size[image_id].rows
        for image_id, x, y in zip(points["image_id"], points["x_px"], points["y_px"], strict=True)
    ]
    assert all(inside)


# ---------------------------------------------------------------- by failure


@pytest.mark.parametrize("image_id", ["I9999", "", "../I0001", "i0001"])
def test_only_films_of_the_study_are_made(tmp_path, image_id):
    with pytest.raises(
        StudyError, match=r"tables/images.csv, image_id: found .* Expected one of I0001 to I0119"
    ):
        write_film(tmp_path, image_id)
    with pytest.raises(StudyError, match="Expected one of I0001 to I0119"):
        film_fingerprint(tmp_path, image_id)
    assert list(tmp_path.iterdir()) == []


def test_without_anatomy_nothing_is_made(tmp_path):
    with pytest.raises(StudyError, match=r"anatomy|pelvis"):
        make_study(tmp_path)
    assert not (tmp_path / "tables").exists()


def test_an_interrupted_film_leaves_no_file(tmp_path, monkeypatch):
    folder = folder_with_anatomy(tmp_path)

    def half_written(path, *_args, **_facts):
        Path(path).write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(study_files, "film_pixels", lambda recipe, anatomy: np.zeros((2, 2), np.uint16))
    monkeypatch.setattr(study_files, "write_dx", half_written)
    with pytest.raises(KeyboardInterrupt):
        write_film(folder, "I0001")
    assert list((folder / "images").iterdir()) == []


def test_a_film_arrives_at_its_path(tmp_path, monkeypatch):
    folder = folder_with_anatomy(tmp_path)
    seen = {}

    def written(path, pixels, recipe, **facts):
        seen.update(facts, recipe=recipe)
        Path(path).write_bytes(pixels.tobytes())

    monkeypatch.setattr(study_files, "film_pixels", lambda recipe, anatomy: np.ones((2, 2), np.uint16))
    monkeypatch.setattr(study_files, "write_dx", written)
    path = write_film(folder, "I0002")
    assert path == folder / "images" / "I0002.dcm"
    assert [file.name for file in path.parent.iterdir()] == ["I0002.dcm"]
    assert seen["patient_id"] == "P001"
    assert seen["image_id"] == "I0002"
    assert isinstance(seen["recipe"], FilmRecipe)
