"""What each notebook asks and answers, in plain words."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import nbformat

#: How a heading, a table, code or a picture begins.
_NO_PARAGRAPH = ("#", "|", "```", "!")


class Question(NamedTuple):
    """What a notebook asks and answers: its first heading and the paragraph below it, as plain words."""

    title: str
    answer: str


def read_question(path: Path) -> Question:
    """The question of a notebook; its file name where it has no heading."""
    cells = nbformat.read(path, as_version=4).cells
    text = "\n\n".join(cell.source for cell in cells[:3] if cell.cell_type == "markdown")
    heading = re.search(r"^#\s+(.+)$", text, re.MULTILINE)
    if heading is None:
        return Question(path.stem.replace("_", " "), "")
    blocks = re.split(r"\n\s*\n", text[heading.end() :].strip())
    paragraphs = (block for block in blocks if block and not block.lstrip().startswith(_NO_PARAGRAPH))
    return Question(plain_words(heading[1]), plain_words(next(paragraphs, "")))


def plain_words(markdown: str) -> str:
    """Markdown without its marks: links keep their text, emphasis and code their words."""
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", markdown)
    text = re.sub(r"(?<!\w)[*_]{1,3}(?=\S)|(?<=\S)[*_]{1,3}(?!\w)|`", "", text)
    return " ".join(text.split())
