"""A page with the images that wait for a look, each whole, with the lines of the bands that may be masked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from cohortlib.dicom.deidentification.pixel_view import pixel_picture
from cohortlib.files import make_folder, write_whole
from cohortlib.report.markup import Element, element, page

#: Longer side of a picture: letters of a fiftieth of a film's height have 40 pixels.
_LARGEST_PX = 2000
_WHOLE = "display: block; padding: 0; width: auto; height: auto; max-width: 100%; max-height: none"
_LINE = "position: absolute; left: 0; right: 0; height: 0; border-top: 1px solid red"


def write_pixel_page(images: Path, paths: Sequence[str], folder: Path, *, band_fraction: float) -> Path:
    """Write a page with a numbered picture of each image; where the page is.

    Parameters
    ----------
    images, paths
        The folder of images, and the images below it.
    folder
        For the page and its pictures.
    band_fraction
        Where the lines are drawn: so much of the rows lies between an edge and its line.

    Raises
    ------
    StudyError
        If an image cannot be shown.
    """
    make_folder(folder)
    shown = []
    for number, path in enumerate(paths, start=1):
        picture = pixel_picture(images / path, name=path, largest_px=_LARGEST_PX)
        write_whole(folder / f"{number:04d}.png", picture)
        shown.append(_figure(number, path, band_fraction))
    text = (
        "Look at each image whole, at its edges first. The red lines end the bands at the top and the bottom "
        f"({band_fraction:.0%} of the rows each) that an export makes black where there is text in them."
    )
    place = folder / "look.html"
    body = element("main", element("h1", "Is there text in the pixels?"), element("p", text), *shown)
    write_whole(place, page("Text in the pixels", body))
    return place


def _figure(number: int, path: str, fraction: float) -> Element:
    name = f"{number:04d}.png"
    picture = element("img", src=name, alt=f"Image {number}", style=_WHOLE)
    lines = [element("div", style=f"{_LINE}; {edge}: {fraction:.2%}") for edge in ("top", "bottom")]
    frame = element("div", picture, *lines, style="position: relative; display: inline-block")
    return element("figure", element("figcaption", f"{number}: {path}"), frame)
