"""The human look for burned-in text: a page to look at, three questions, and the record of the answers."""

from __future__ import annotations

import re
from pathlib import Path
from tempfile import TemporaryDirectory

from cohortlib.commands.pixel_page import write_pixel_page
from cohortlib.dicom.deidentification.pixel_checks import (
    FINDINGS,
    image_sha256,
    read_pixel_checks,
    record_pixel_check,
)
from cohortlib.dicom.finding.walk import found_files
from cohortlib.errors import study_error
from cohortlib.files import make_folder
from cohortlib.report.problems import counted

IMAGES, RECORD = "images", "pixel_checks.csv"
_CLEAR, _BAND, _ELSEWHERE = FINDINGS
_MOST_AT_ONCE = 200
_NUMBERS = re.compile(r"(\d{1,4})(?:-(\d{1,4}))?")


def check_pixels(folder: Path, *, reader: str, at_once: int, band_fraction: float) -> int:
    """Show images that nobody looked at, ask what is seen, and record it; 0 if no image is left, else 1.

    Parameters
    ----------
    folder
        The study; its images lie in `images/`, the record is `pixel_checks.csv`.
    reader
        The id of the person who looks.
    at_once
        Images a page.
    band_fraction
        The part of the rows, from either edge, that an export makes black where text is in it.
    """
    _check_options(at_once, band_fraction)
    waiting = unseen_images(folder)
    chosen = waiting[:at_once]
    if chosen:
        pages = make_folder(folder / "derived")
        # The pictures may show a name: they are gone when the questions are answered.
        with TemporaryDirectory(prefix="pixel_checks.", dir=pages) as beside:
            page = write_pixel_page(folder / IMAGES, chosen, Path(beside), band_fraction=band_fraction)
            print(f"{counted(len(waiting), 'image')} wait for a look. The first {len(chosen)}, in a browser:")
            print(f"  {page.resolve().as_uri()}", flush=True)
            try:
                findings = asked_findings(len(chosen))
            except EOFError:
                raise study_error(
                    found="nobody at the keyboard", expected="three answers, after a look at the page",
                    remedy="Start the command in a terminal",
                ) from None  # fmt: skip
        for path, finding in zip(chosen, findings, strict=True):
            if finding:
                record_pixel_check(
                    folder / RECORD,
                    folder / IMAGES,
                    path,
                    checked_by=reader,
                    finding=finding,
                    band_fraction=band_fraction if finding == _BAND else None,
                )
        print(f"{counted(sum(map(bool, findings)), 'look')} recorded in {folder / RECORD}.")
        waiting = unseen_images(folder)
    print(f"{counted(len(waiting), 'image')} left to be looked at.")
    return 1 if waiting else 0


def _check_options(at_once: int, band_fraction: float) -> None:
    found = ""
    if not 1 <= at_once <= _MOST_AT_ONCE:
        column, found, expected = "--at-once", str(at_once), f"1 to {_MOST_AT_ONCE} images"
    elif not 0.001 <= band_fraction < 0.5:
        column, found, expected = "--band", str(band_fraction), "a part of the rows from 0.001 to 0.5"
    if found:
        raise study_error(column=column, found=found, expected=expected, remedy="Correct the number")


def unseen_images(folder: Path) -> list[str]:
    """The images of a study that nobody looked at as they are now, below `images/`."""
    seen = set(read_pixel_checks(folder / RECORD)["sha256"])
    images = folder / IMAGES
    paths = [file.path for file in found_files(images) if not file.problem]
    return [path for path in paths if image_sha256(images, path) not in seen]


def asked_findings(count: int) -> list[str]:
    """What was seen on each image of a page, as answered at the keyboard; "" where nothing was said."""
    print("Answer with numbers, such as 3 5 7-9; nothing if there is none.")
    in_band = _asked("Text between an edge and its line, and nowhere else: ", count)
    elsewhere = _asked("Text anywhere else: ", count)
    others = input("Did you look at every other image whole, and saw no text? Type yes: ")
    findings = [_CLEAR if others.strip().lower() == "yes" else ""] * count
    for number in in_band:
        findings[number - 1] = _BAND
    for number in elsewhere:
        findings[number - 1] = _ELSEWHERE
    return findings


def _asked(question: str, count: int) -> list[int]:
    while True:
        answer = input(question)
        try:
            return image_numbers(answer, count)
        except ValueError:
            print(f"Numbers from 1 to {count}, please.")


def image_numbers(answer: str, count: int) -> list[int]:
    """The numbers in an answer such as "3, 5 7-9".

    Raises
    ------
    ValueError
        If it holds anything else, or a number that no image has.
    """
    numbers: list[int] = []
    for part in re.split(r"[,;\s]+", re.sub(r"\s*-\s*", "-", answer.strip())):
        found = _NUMBERS.fullmatch(part)
        if found is None and part:
            raise ValueError
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
        if found and not 1 <= first <= last <= count:
            raise ValueError
        numbers += range(first, last + 1)
    return numbers
