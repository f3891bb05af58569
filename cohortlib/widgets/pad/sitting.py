"""A reader in front of a worklist: everything that is done on a film, as methods. No screen is needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.readings.store import Readings
from cohortlib.tables.grading_scales import GRADING_SCALES, WHOLE
from cohortlib.widgets.pad.films import FilmOf
from cohortlib.widgets.pad.outlines import ZonesOf, zone_outlines
from cohortlib.widgets.pad.picture import film_figure
from cohortlib.widgets.pad.said import Grade, Mark, ScaleGrade
from cohortlib.widgets.pad.turning import Turning, no_film

MARK_COLUMNS = ("mark", "landmark", "side", "x_px", "y_px")
GRADE_COLUMNS = ("side", "zone_system", "zone", "state", "width_mm")
SCALE_COLUMNS = ("side", "scale", "part", "grade")


class Sitting(Turning):
    """What a reader does at a worklist: the methods of `MarkingPad`, which only adds the screen.

    Every change is in the store before the method returns, as a row that names the one it supersedes.
    """

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
    ) -> None:
        self._zones_of = zones_of
        Turning.__init__(
            self,
            store,
            reader_id=reader_id,
            film_of=film_of,
            plan=plan,
            zone_systems=zone_systems,
            scales=scales,
        )

    def add_mark(self, landmark: str, *, side: str, x_px: float, y_px: float) -> int:
        """Store a mark on the film in view; its number on this film."""
        (number,) = self.sheet.add([Mark(landmark, side, *self._on_film(x_px, y_px))])
        self._followed((side, landmark), again=False)
        self._changed()
        return number

    def move_mark(self, mark: int, *, x_px: float, y_px: float) -> None:
        """Store that a mark lies elsewhere; the row before it stays in the store."""
        place = self._on_film(x_px, y_px)
        standing = self.sheet.marks.get(mark)
        after = Mark("", "", *place) if standing is None else standing._replace(x_px=place[0], y_px=place[1])
        self.sheet.change(mark, after, reason="moved")
        self._changed()

    def take_back(self, mark: int) -> None:
        """Store that a mark does not stand any more."""
        self.sheet.change(mark, None, reason="taken back")
        self._changed()

    def grade(
        self, *, side: str, zone_system: str, zone: str, state: str, width_mm: float | None = None
    ) -> None:
        """Store what is seen in a zone: one of `ZONE_STATES`, and the greatest width of a line."""
        key = (side, zone_system, zone)
        reason = "graded again" if key in self.sheet.grades else ""
        self.sheet.change(key, Grade(state, None if width_mm is None else float(width_mm)), reason=reason)
        self._followed(key, again=True)
        self._changed()

    def take_back_grade(self, *, side: str, zone_system: str, zone: str) -> None:
        """Store that the grade of a zone does not stand any more."""
        self.sheet.change((side, zone_system, zone), None, reason="taken back")
        self._changed()

    def grade_scale(self, scale: str, *, side: str, grade: str, part: str = WHOLE) -> None:
        """Store the grade of a hip on a part of a scale: one of `grades_of(scale, part)`."""
        key = _place(scale, side, part)
        reason = "graded again" if key in self.sheet.scale_grades else ""
        self.sheet.change(key, ScaleGrade(grade), reason=reason)
        self._followed(key, again=True)
        self._changed()

    def take_back_scale(self, scale: str, *, side: str, part: str = WHOLE) -> None:
        """Store that the grade of a part of a scale does not stand any more."""
        self.sheet.change(_place(scale, side, part), None, reason="taken back")
        self._changed()

    def undo(self) -> None:
        """Take back the last change of this film, by a row of its own."""
        self.sheet.undo()
        self._changed()

    def redo(self) -> None:
        """Do again what was undone last, by a row of its own."""
        self.sheet.redo()
        self._changed()

    def marks(self) -> pd.DataFrame:
        """The marks that stand on the film in view: mark (its number), landmark, side, x_px, y_px."""
        rows = [(number, *mark) for number, mark in (self.sheet.marks.items() if self._has_film else ())]
        return pd.DataFrame(rows, columns=list(MARK_COLUMNS))

    def grades(self) -> pd.DataFrame:
        """The grades of zones that stand on the film in view: side, zone_system, zone, state, width_mm."""
        rows = [(*zone, *grade) for zone, grade in (self.sheet.grades.items() if self._has_film else ())]
        return pd.DataFrame(rows, columns=list(GRADE_COLUMNS))

    def scale_grades(self) -> pd.DataFrame:
        """The grades on scales that stand on the film in view: side, scale, part, grade."""
        stand = self.sheet.scale_grades.items() if self._has_film else ()
        return pd.DataFrame([(*place, *grade) for place, grade in stand], columns=list(SCALE_COLUMNS))

    def zones(self) -> pd.DataFrame:
        """Corners of the zones on the film in view [px]: side, zone_system, zone, x_px, y_px, in order."""
        return zone_outlines(self._zones_of, self.radiograph, self.marks())

    def figure(self) -> Figure:
        """The film in view with its zones and marks, as a figure that needs no browser."""
        title = f"Film {self.number} of {self.of}"
        return film_figure(
            self.radiograph, self.marks(), self.zones(), reader_id=self._reader_id, title=title
        )

    def _on_film(self, x_px: float, y_px: float) -> tuple[float, float]:
        if self.radiograph is None:
            raise no_film()
        rows, columns = self.radiograph.pixels.shape
        if not (-0.5 <= x_px <= columns - 0.5 and -0.5 <= y_px <= rows - 0.5):
            raise study_error(
                column="x_px, y_px",
                found=f"{x_px:g}, {y_px:g}",
                expected=f"a place on a film of {columns} columns and {rows} rows",
                remedy="Mark on the film",
            )
        return float(x_px), float(y_px)


def _place(scale: str, side: str, part: str) -> tuple[str, str, str]:
    """What is graded; by its scale it is told from a zone."""
    if scale not in GRADING_SCALES:
        expected = "one of " + ", ".join(GRADING_SCALES)
        raise study_error(column="scale", found=str(scale), expected=expected, remedy="Name one of these")
    return side, scale, part
