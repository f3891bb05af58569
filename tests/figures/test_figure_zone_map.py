import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Polygon
from matplotlib.path import Path

from cohortlib.errors import StudyError
from cohortlib.figures.style import SIZES
from cohortlib.figures.zones import plot_zone_map
from cohortlib.figures.zones.drawing import outlines
from cohortlib.figures.zones.fill import zone_fill
from cohortlib.figures.zones.regions import regions
from cohortlib.tables import ZONE_SYSTEMS

DESIGNS = {"a": "resurfacing", "b": "stem"}
DRAWN = {"a": ("cup_3", "neck_6"), "b": ("cup_3", "stem_7")}


def estimates(**change):
    rows = [
        {"arm": arm, "zone_system": system, "zone": zone, "estimate": -2.0 * place}
        for arm, systems in DRAWN.items()
        for system in systems
        for place, zone in enumerate(ZONE_SYSTEMS[system].names)
    ]
    table = pd.DataFrame(rows).assign(n_hips=33, n_patients=30, unit="%")
    return table.assign(ci_low=table["estimate"] - 3, ci_high=table["estimate"] + 3).assign(**change)


def texts(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def filled(figure):
    """Patches of zones: those that are clipped by a bone."""
    return [
        patch
        for axes in figure.axes
        for patch in axes.patches
        if isinstance(patch, Polygon) and patch.get_zorder() == 2
    ]


def lightness(colour):
    red, green, blue = (((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


# by hand --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_every_zone_has_its_numbers(size):
    figure = plot_zone_map(estimates(), designs=DESIGNS, size=size)
    words = texts(figure)
    assert "7:  −12.0 %" in words
    assert "−15.0 to −9.0, n 33" in words
    assert "1:  0.0 %" in words
    assert len(filled(figure)) == len(estimates())
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)


def test_a_zone_without_an_estimate_says_so():
    table = estimates()
    table.loc[0, ["estimate", "ci_low", "ci_high"]] = np.nan
    assert "no estimate, n 33" in texts(plot_zone_map(table, designs=DESIGNS))


def test_patients_and_hips_are_counted_and_a_gain_has_its_sign():
    words = texts(plot_zone_map(estimates(estimate=2.5, ci_low=1.0, ci_high=4.0), designs=DESIGNS))
    assert "b\n30 patients, 33 hips" in words
    assert "7:  +2.5 %" in words


# by reference: common practice, no source: grey print keeps nothing but lightness ---------------------------


def test_more_change_is_darker_and_a_gain_is_hatched():
    fill = zone_fill(pd.Series([-18.0, 7.0]), limit=None)
    assert fill.limit == 20
    for sign in (-1, 1):
        shades = [lightness(fill.look(sign * value)["facecolor"]) for value in (0, 5, 10, 15, 20)]
        assert all(np.diff(shades) < -0.02)
    assert fill.look(-10)["hatch"] is None
    assert fill.look(10)["hatch"]
    assert fill.look(float("nan"))["facecolor"] != fill.look(0)["facecolor"]


# by law ---------------------------------------------------------------------------------------------------


def test_left_is_the_mirror_image_of_right():
    right, left = (
        filled(plot_zone_map(estimates(), designs=DESIGNS, side=side)) for side in ("right", "left")
    )
    for one, other in zip(right, left, strict=True):
        assert one.get_xy() * (-1, 1) == pytest.approx(other.get_xy())
        assert one.get_facecolor() == other.get_facecolor()


@pytest.mark.parametrize("system", ["cup_3", "stem_7", "neck_1", "neck_2", "neck_6"])
def test_the_drawing_has_every_zone_and_points_into_the_bone(system):
    found = regions(system)
    assert tuple(found) == ZONE_SYSTEMS[system].names or sorted(found) == list(ZONE_SYSTEMS[system].names)
    shapes = [shape.points for shape in outlines("stem" if system == "stem_7" else "resurfacing")[:2]]
    bones = dict(zip(("pelvis", "femur"), shapes, strict=True))
    for region in found.values():
        assert Path(region.polygon).contains_point(region.anchor)
        assert Path(bones[region.bone]).contains_point(region.anchor)


def test_words_do_not_lie_on_each_other():
    figure = plot_zone_map(estimates(), designs=DESIGNS, size="single column")
    figure.draw_without_rendering()
    for axes in figure.axes[1:]:
        boxes = [text.get_window_extent() for text in axes.texts if text.get_text()[1:2] == ":"]
        for place, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[place + 1 :])


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"side": "lateral"}, "side: found 'lateral'"),
        ({}, {"designs": {"a": "resurfacing"}}, "arm: found 'b'.*Name its design"),
        ({}, {"designs": {"a": "long stem", "b": "stem"}}, "designs: found '?long stem"),
        ({"unit": ["%"] * 9 + ["g/cm2"] * 10}, {}, "Draw percent and absolute change in two figures"),
        ({"zone": "9"}, {}, "zone: found cup_3 9"),
        ({"estimate": np.nan}, {}, "no zone with an estimate"),
        ({}, {"limit": -5}, "limit: found -5"),
    ],
)
def test_refused_in_words(change, options, match):
    with pytest.raises(StudyError, match=match):
        plot_zone_map(estimates(**change), **({"designs": DESIGNS} | options))


def test_two_visits_at_once_are_refused():
    with pytest.raises(StudyError, match="Choose one visit"):
        plot_zone_map(pd.concat([estimates()] * 2), designs=DESIGNS)
