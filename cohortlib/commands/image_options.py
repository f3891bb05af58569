"""The commands that bring images into a study and out of it: what may follow each, and what it calls."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path

IMAGE_COMMANDS = ("images", "fetch", "intake", "move-dates", "pixels", "export")


def add_image_options(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """From a hospital's folder or archive to a study's images, and out again."""
    images = commands.add_parser("images", help="list what images a folder holds, and what is none")
    images.add_argument("folder", type=Path)
    images.add_argument(
        "--csv", type=Path, metavar="FILE", help="write the series as a table, the files beside it"
    )
    images.add_argument(
        "--index", type=Path, metavar="FILE", help="keep what was found; faster the next time"
    )
    fetch = commands.add_parser(
        "fetch", help="fetch images from a DICOM archive; the only command with a network"
    )
    fetch.add_argument("url", help="root of the archive's DICOMweb services")
    fetch.add_argument("folder", type=Path, help="for the hospital's images, outside every study")
    fetch.add_argument("--patients", type=Path, metavar="LIST", help="CSV with hospital_id and patient_id")
    fetch.add_argument("--first", type=datetime.date.fromisoformat, metavar="DAY", help="such as 2030-01-31")
    fetch.add_argument("--last", type=datetime.date.fromisoformat, metavar="DAY")
    fetch.add_argument("--modality", action="append", default=[], help="such as DX; may be given again")
    intake = commands.add_parser("intake", help="images from the hospital into a study, without identity")
    intake.add_argument("source", type=Path, help="the hospital's images")
    intake.add_argument("folder", type=Path, help="the study, with study.toml")
    intake.add_argument("--key", type=Path, required=True, help="key file, outside the study")
    intake.add_argument(
        "--patients", type=Path, metavar="LIST", help="make the key, or add these patients to it"
    )
    intake.add_argument(
        "--csv", type=Path, metavar="FILE", help="what became of every file; outside the study"
    )
    move = commands.add_parser("move-dates", help="a study's tables with dates moved as those of its images")
    move.add_argument("source", type=Path, help="the study with the hospital's dates")
    move.add_argument("folder", type=Path, help="the study to be written")
    move.add_argument("--key", type=Path, required=True, help="key file, outside both")
    pixels = commands.add_parser("pixels", help="look for text in the pixels, and record what is seen")
    pixels.add_argument("folder", type=Path, help="the study")
    pixels.add_argument("--reader", required=True, help="id of the person who looks")
    pixels.add_argument("--at-once", type=int, default=20, help="images a page (20)")
    pixels.add_argument(
        "--band", type=float, default=0.1, help="part of the rows at either edge that may be masked (0.1)"
    )
    export = commands.add_parser(
        "export", help="copy a study's images for others, if somebody looked at each"
    )
    export.add_argument("folder", type=Path, help="the study")
    export.add_argument("target", type=Path, help="a new folder")


def run_on_images(chosen: argparse.Namespace) -> int:
    """Run one of `IMAGE_COMMANDS`; its exit code."""
    if chosen.command == "images":
        from cohortlib.commands.images import print_images

        return print_images(chosen.folder, csv=chosen.csv, index=chosen.index)
    if chosen.command == "fetch":
        from cohortlib.commands.fetch import fetch_from_archive

        return fetch_from_archive(
            chosen.url,
            chosen.folder,
            patients=chosen.patients,
            first=chosen.first,
            last=chosen.last,
            modalities=chosen.modality,
        )
    if chosen.command == "intake":
        from cohortlib.commands.intake import take_in_images

        return take_in_images(
            chosen.source, chosen.folder, key=chosen.key, patients=chosen.patients, csv=chosen.csv
        )
    if chosen.command == "move-dates":
        from cohortlib.commands.move_dates import write_moved_study

        return write_moved_study(chosen.source, chosen.folder, key=chosen.key)
    if chosen.command == "pixels":
        from cohortlib.commands.pixels import check_pixels

        return check_pixels(
            chosen.folder, reader=chosen.reader, at_once=chosen.at_once, band_fraction=chosen.band
        )
    from cohortlib.commands.export import export_for_others

    return export_for_others(chosen.folder, chosen.target)
