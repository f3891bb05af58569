"""Known names in a sentence, and the one that was probably meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def alternatives(names: Iterable[object]) -> str:
    """The names as a sentence lists them: "'left' or 'right'"."""
    quoted = [repr(str(name)) for name in names]
    if len(quoted) < 2:
        return "".join(quoted) or "no name at all"
    return ", ".join(quoted[:-1]) + " or " + quoted[-1]


def nearest_name(found: str, known: Iterable[object]) -> str:
    """The known name closest to what was found, or "" if none is close; capitals do not count."""
    names = {str(name).casefold(): str(name) for name in known}
    # Long text is no misspelt name, and comparing it takes long.
    close = get_close_matches(found.strip().casefold()[:100], list(names), n=1, cutoff=0.6)
    return names[close[0]] if close else ""


def meant(found: str, known: Iterable[object]) -> str:
    """A question to end a remedy with: " (did you mean 'left'?)", or "" if no known name is close."""
    name = nearest_name(found, known)
    return f" (did you mean {name!r}?)" if name else ""
