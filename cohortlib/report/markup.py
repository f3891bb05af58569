"""HTML pages that need nothing but themselves: every text escaped, no scripts, no network."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from pathlib import Path
from string import Template
from xml.etree import ElementTree

Element = ElementTree.Element
Content = str | Element

STYLESHEET = Path(__file__).with_name("page.css")

# The browser itself is told to load and run nothing, so that even a hostile text in a table cannot.
_PAGE = Template("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="$policy">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>
$style</style>
</head>
<body>
$body
</body>
</html>
""")
_POLICY = (
    "default-src 'none'; img-src 'self' file: data:; style-src 'unsafe-inline'; "
    "base-uri 'none'; form-action 'none'"
)


def element(tag: str, *content: Content | Iterable[Content], **attributes: str) -> Element:
    """An element with texts and elements inside; an attribute's trailing _ is dropped (`class_`)."""
    made = Element(tag, {name.rstrip("_"): value for name, value in attributes.items()})
    parts = [part for item in content for part in ([item] if isinstance(item, str | Element) else item)]
    for part in parts:
        if isinstance(part, Element):
            made.append(part)
        elif len(made):
            made[-1].tail = (made[-1].tail or "") + part
        else:
            made.text = (made.text or "") + part
    return made


def link(text: str, address: str) -> Element:
    """A link to a file beside the page."""
    return element("a", text, href=address)


def text_table(head: list[str], rows: Iterable[Iterable[str]]) -> Element:
    """A table; cells that look like numbers stand to the right."""
    header = element("tr", [element("th", cell, scope="col") for cell in head])
    body = [element("tr", [element("td", cell, class_=_cell_class(cell)) for cell in row]) for row in rows]
    return element("table", element("thead", header), element("tbody", body))


def page(title: str, body: str | Element) -> str:
    """A whole page; a text as body is markup already."""
    style = STYLESHEET.read_text("utf-8")
    inner = body if isinstance(body, str) else ElementTree.tostring(body, encoding="unicode", method="html")
    return _PAGE.substitute(title=escape(title), policy=_POLICY, style=style, body=inner)


def _cell_class(cell: str) -> str:
    return "number" if cell.replace(".", "").replace("−", "").isdigit() else "text"
