"""The picture of the README, from the demo study: run this file by hand, after `make demo`."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from PIL import Image

from cohortlib.dicom import read_radiograph
from cohortlib.figures.cup import plot_cup_orientation
from cohortlib.figures.film import plot_film
from cohortlib.measure.cup import cup_outlines
from cohortlib.pipeline import measure_study
from cohortlib.study import read_study
from cohortlib.tables import Study

HERE = Path(__file__).parent
IMAGE_ID = "I0006"
GAP_PX = 40


def film_figure(study: Study) -> Figure:
    """The film of the patient with a hip of each design, with what was fitted on it."""
    image = study.images.set_index("image_id").loc[IMAGE_ID]
    film = read_radiograph(study.folder / image["path"], name=image["path"])
    marks = study.landmarks.query("image_id == @IMAGE_ID and reader_id == 'R1' and repeat == 1")
    teardrops = marks["landmark"] == "teardrop"
    named = marks.assign(landmark=marks["landmark"].mask(teardrops, "teardrop_" + marks["side"]))
    outlines = [
        outline
        for hip in study.hips[study.hips["patient_id"] == image["patient_id"]].to_dict("records")
        for outline in cup_outlines(
            film,
            named[teardrops | (named["side"] == hip["side"])],
            side=hip["side"],
            head_diameter_mm=hip["head_diameter_mm"],
            cup_diameter_mm=hip["cup_diameter_mm"],
        )
    ]
    notes = ["One patient, two hips. Invented film."]
    return plot_film(film, outlines, None, crop=None, sides=["left", "right"], notes=notes)


def cups_figure(study: Study) -> Figure:
    """Every cup at 12 months, by the first reader."""
    measurements = measure_study(study)
    chosen = measurements.query("visit_id == 'month_12' and reader_id == 'R1' and repeat == 1")
    return plot_cup_orientation(
        chosen.merge(study.hips[["hip_id", "arm"]], on="hip_id"),
        zone=study.thresholds[study.thresholds["threshold"] == "cup zone"],
        labels=dict(zip(study.arms["arm"], study.arms["label"], strict=True)),
        notes=["Invented data."],
    )


def pixels(figure: Figure) -> Image.Image:
    """The figure at the size at which a notebook shows it."""
    with io.BytesIO() as buffer:
        figure.savefig(buffer, format="png", dpi=figure.dpi)
        return Image.open(buffer).convert("RGB")


def palette(picture: Image.Image) -> Image.Image:
    """Fifty greys and fifty colours; left to itself, the film would take them all."""
    values = np.asarray(picture)
    coloured = values[np.ptp(values, axis=2) > 40]
    colours = Image.fromarray(coloured[np.newaxis]).quantize(50).getpalette() or []
    # Nothing close to white: the search for the nearest colour is coarse, and paper must stay white.
    greys = [grey for grey in [*range(0, 245, 5), 255] for _ in range(3)]
    chosen = Image.new("P", (1, 1))
    chosen.putpalette([*greys, *colours[:150]])
    return chosen


def main() -> None:
    """Write readme.png beside this file: both figures side by side, in few colours to keep it small."""
    study = read_study(HERE.parents[1] / "synthetic_cohort")
    left, right = pixels(film_figure(study)), pixels(cups_figure(study))
    picture = Image.new(
        "RGB", (left.width + GAP_PX + right.width, max(left.height, right.height)), color="white"
    )
    picture.paste(left, (0, 0))
    picture.paste(right, (left.width + GAP_PX, 0))
    picture.quantize(palette=palette(picture), dither=Image.Dither.NONE).save(
        HERE / "readme.png", optimize=True
    )


if __name__ == "__main__":
    main()
