"""The film of an item: where it comes from, and its pixels on their way to the screen."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from cohortlib.dicom import read_radiograph
from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.tables import Study

#: Grey values on the screen side: 0 is the film's least, this its greatest.
WHITEST = 65535


class ShownFilm(NamedTuple):
    """A film as it is shown, and the SHA-256 of the bytes it was read from."""

    radiograph: Radiograph
    sha256: str


#: image_id → the film. It is called in the kernel; the id goes no further.
FilmOf = Callable[[str], ShownFilm]


def study_films(study: Study) -> FilmOf:
    """A function that gives the film of an image_id of a study, read anew each time."""
    paths = study.images.set_index("image_id")["path"]

    def film(image_id: str) -> ShownFilm:
        if image_id not in paths.index:
            raise study_error(
                file="tables/images",
                column="image_id",
                found="an item whose image is not in the study",
                expected="the images that the worklist was made from",
                remedy="Read with the study folder that belongs to the readings",
            )
        path = study.folder / str(paths[image_id])
        try:
            with path.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            raise study_error(
                file="images",
                found="no file for this item",
                expected="the image file that the study names",
                remedy="Put the image in its place; what was read is kept",
            ) from None
        # Its own name stays out of every message that may reach the reader.
        return ShownFilm(read_radiograph(path, name="this film"), sha256)

    return film


class Greys(NamedTuple):
    """Pixels for the screen: 16 bits each, little-endian, row by row; and the grey range to begin with."""

    pixels: bytes
    columns: int
    rows: int
    darkest: float
    lightest: float


def screen_greys(radiograph: Radiograph) -> Greys:
    """The pixels of a film as 16-bit numbers, and which of them to show black and white at first.

    Notes
    -----
    Grey values are stretched from the film's least and greatest to 0 and 65,535. A film stores at most
    65,536 different values (16 bits), so no two of them fall together: the reader may look at any part of
    the range. With 8 bits, a window of a tenth of the range would show 26 greys. Twice the bytes travel
    for it, once a film. What is lost is the value itself; the pad shows and never measures. Pixels that
    are no number are shown black.

    The range to begin with is that of the figures: from the 1st to the 99.7th percentile.
    """
    pixels = radiograph.pixels
    finite = np.isfinite(pixels)
    if not finite.any():
        raise study_error(
            file="this film",
            column="pixels",
            found="no finite pixel",
            expected="grey values",
            remedy="Look at how the image was read",
        )
    least = float(pixels.min(where=finite, initial=np.inf))
    span = float(pixels.max(where=finite, initial=-np.inf)) - least
    stretched = np.empty(pixels.shape, dtype="<u2")
    for start in range(0, len(pixels), 256):  # in strips, so that no second film of floats is made
        part = np.nan_to_num(
            pixels[start : start + 256].astype(np.float64), nan=least, posinf=least, neginf=least
        )
        stretched[start : start + 256] = np.rint((part - least) * (WHITEST / span if span else 0.0))
    # Every fourth pixel each way decides nearly the same.
    darkest, lightest = np.percentile(stretched[::4, ::4], [1.0, 99.7])
    if darkest >= lightest:
        darkest, lightest = 0.0, float(WHITEST)
    rows, columns = pixels.shape
    return Greys(stretched.tobytes(), columns, rows, float(darkest), float(lightest))
