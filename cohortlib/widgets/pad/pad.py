"""The marking pad: a sitting at a worklist with a screen, drawn by the browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

import anywidget
import traitlets

from cohortlib.errors import StudyError
from cohortlib.readings.store import Readings
from cohortlib.widgets.pad.films import FilmOf, screen_greys
from cohortlib.widgets.pad.outlines import ZonesOf
from cohortlib.widgets.pad.proposing import ProposalsOf, Proposing
from cohortlib.widgets.pad.scene import reader_words, scene_of

#: In this order they are one module; each is about one thing.
_MODULES = ("greys", "view", "signs", "elements", "link", "stage", "hand", "scale", "side", "pad")
_BROWSER = files("cohortlib.widgets.pad") / "browser"

#: What the browser may ask for, and the arguments it may give.
ACTIONS: dict[str, tuple[str, ...]] = {
    "add_mark": ("landmark", "side", "x_px", "y_px"),
    "move_mark": ("mark", "x_px", "y_px"),
    "take_back": ("mark",),
    "grade": ("side", "zone_system", "zone", "state", "width_mm"),
    "take_back_grade": ("side", "zone_system", "zone"),
    "grade_scale": ("side", "scale", "part", "grade"),
    "take_back_scale": ("side", "scale", "part"),
    "propose": (),
    "take_proposal": (),
    "leave_proposal": (),
    "undo": (),
    "redo": (),
    "choose": ("step",),
    "finish": ("remark",),
    "next": (),
    "previous": (),
}


class MarkingPad(Proposing, anywidget.AnyWidget):
    """A pad to mark and grade the films of a reader's worklist, in JupyterLab or from a script.

    Parameters
    ----------
    store
        From `open_readings`; every mark is in it before the pad shows it as saved.
    reader_id
        Who reads; there must be a worklist for this reader.
    film_of
        image_id → `ShownFilm`, such as `study_films(study)`.
    plan
        Landmark → how many marks on each side, in the order in which they are asked for.
    zone_systems
        Zone systems to be graded on each side, after the marks.
    scales
        Scales by which the hip of each side is to be graded, after its zones, such as "ossification". An
        item is asked for what its task names: scales only where that is grades.
    zones_of
        (film, marks) → corners of the zones [px], drawn over the film; None draws none.
    proposals_of
        film → shapes found on it by itself, such as `component_proposals`, which a reader may ask for and
        take as marks; None proposes nothing. Marks read with and without proposals are not alike: a study
        says beforehand which. Taken marks have that as their reason in the store.

    Notes
    -----
    Name it last in a cell to see it. Each action of the hand is a method of the same effect: `add_mark`,
    `move_mark`, `take_back`, `grade`, `take_back_grade`, `grade_scale`, `take_back_scale`, `undo`, `redo`,
    `choose`, `propose`, `take_proposal`, `leave_proposal`, `finish`, `next`, `previous`; `figure` is the same
    film without a browser. The browser is told what `scene_of` names and nothing else; the pixels go there
    once a film, and are in no notebook file.

    Example
    -------
    >>> films = study_films(study)  # doctest: +SKIP
    >>> pad = MarkingPad(store, reader_id="R1", film_of=films, plan={"teardrop": 1})  # doctest: +SKIP
    >>> pad.add_mark("teardrop", side="left", x_px=812.5, y_px=640.0)  # doctest: +SKIP
    1
    """

    _esm = "\n".join((_BROWSER / f"{name}.js").read_text(encoding="utf-8") for name in _MODULES)
    _css = (_BROWSER / "pad.css").read_text(encoding="utf-8")
    scene = traitlets.Dict().tag(sync=True)
    _ready = False

    def __init__(
        self,
        store: Readings,
        *,
        reader_id: str,
        film_of: FilmOf,
        plan: Mapping[str, int],
        zone_systems: Sequence[str] = (),
        scales: Sequence[str] = (),
        zones_of: ZonesOf | None = None,
        proposals_of: ProposalsOf | None = None,
    ) -> None:
        self._heard = 0
        Proposing.__init__(
            self,
            store,
            reader_id=reader_id,
            film_of=film_of,
            plan=plan,
            zone_systems=zone_systems,
            scales=scales,
            zones_of=zones_of,
            proposals_of=proposals_of,
        )
        anywidget.AnyWidget.__init__(self, scene=self._scene(""))
        self._ready = True
        self.on_msg(self._hear)

    def __repr__(self) -> str:
        return f"<MarkingPad: film {self.number} of {self.of}>" if self.number else "<MarkingPad: no film>"

    def _changed(self) -> None:
        """A method changed the sitting: the screen follows."""
        if self._ready:
            self.scene = self._scene("")

    def _scene(self, notice: str) -> dict[str, Any]:
        return {**scene_of(self), "heard": self._heard, "notice": notice}

    def _hear(self, _widget: object, message: dict[str, Any], _buffers: object) -> None:
        """What the browser says: it wants the pixels, or the hand did something."""
        if message.get("want") == "pixels":
            self._send_pixels()
            return
        notice = "Not done: the program failed. Its message is in the log of the notebook."
        number = message.get("number")
        self._heard = number if isinstance(number, int) else self._heard
        try:
            notice = self._done(message.get("action"), message.get("given"))
        finally:  # whatever happens, the browser learns whether it is saved
            self.scene = self._scene(notice)

    def _done(self, action: object, given: object) -> str:
        """Do what the hand asks for; "" or the sentence why not."""
        known = ACTIONS.get(action) if isinstance(action, str) else None
        if known is None or not isinstance(given, dict) or set(given) - set(known):
            return "Not done: the pad asked for something that there is not. Run its cell again."
        try:
            getattr(self, str(action))(**given)
        except StudyError as error:
            return reader_words(error)
        except TypeError:
            return "Not done: the pad left something out. Run its cell again."
        return ""

    def _send_pixels(self) -> None:
        if self.radiograph is None:
            return
        greys = screen_greys(self.radiograph)
        message = {
            "film": self.views,
            **{name: value for name, value in greys._asdict().items() if name != "pixels"},
        }
        self.send(message, buffers=[greys.pixels])
