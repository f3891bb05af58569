"""A folder to begin a study with, and what to do next."""

from __future__ import annotations

from pathlib import Path

from cohortlib.study import check_study, write_empty_study
from cohortlib.tables import DICTIONARY


def make_new(folder: Path, *, title: str) -> int:
    """Write an empty study into a new folder, say what is in it and what to do next; 0.

    Raises
    ------
    StudyError
        If the folder holds something already, or cannot be written.
    """
    write_empty_study(folder, title=title)
    blanks = len(check_study(folder))
    shown = f'"{folder}"' if " " in str(folder) else folder
    print(
        f"{folder}: a study to begin with.\n"
        f"  study.toml        its definition: {blanks} blanks to fill in, each explained\n"
        f"  tables/           {len(DICTIONARY)} tables with their headings; delete what the study has not\n"
        "  dictionary.html   what every column means, to read and to print\n"
        "  dictionary.csv    the same for a spreadsheet\n"
        "  datapackage.json  the same for programs (Data Package, Table Schema)\n"
        f"Fill in study.toml. What is missing or wrong is listed by: python -m cohortlib check {shown}"
    )
    return 0
