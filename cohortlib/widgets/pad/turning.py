"""Turning the films of a worklist: which one is in view, what is asked for on it, and when it is finished."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from cohortlib.errors import StudyError, study_error
from cohortlib.image import Radiograph
from cohortlib.readings.store import Readings
from cohortlib.widgets.pad.films import FilmOf, ShownFilm
from cohortlib.widgets.pad.plan import MarkStep, Step, key_of, missing_words, next_step, plan_steps
from cohortlib.widgets.pad.sheet import Sheet


class Turning:
    """A reader's worklist, one film in view.

    Attributes
    ----------
    number, of
        Which film of how many; 0 while there is none.
    finished
        Whether the film in view was finished before: then it is only corrected.
    radiograph
        The film in view, or None.
    views
        Counts what was brought into view.
    pause
        Why there is no film: all are read, the study asks for a pause, or it cannot be opened; "" while
        there is one.
    fault
        What went wrong the last time a film could not be opened; for whoever runs the reading.
    """

    def __init__(
        self,
        store: Readings,
        *,
        reader_id: str,
        film_of: FilmOf,
        plan: Mapping[str, int],
        zone_systems: Sequence[str],
    ) -> None:
        plan_steps(plan, zone_systems, sides="both")  # refused before the first film is opened
        self._store, self._reader_id, self._film_of = store, reader_id, film_of
        self._plan, self._zone_systems = dict(plan), tuple(zone_systems)
        self.radiograph: Radiograph | None = None
        self._open_sheet: Sheet | None = None
        self._steps: list[Step] = []
        self._chosen: int | None = None
        self.views = 0
        self.pause = ""
        self.fault: Exception | None = None
        self.open_item()

    def open_item(self) -> None:
        """Open the film that is to be read now; after a pause or a crash the same one with its marks."""
        try:
            view = self._store.next_item(self._reader_id)
            self.pause = "" if len(view) else "Every film of this worklist is read."
        except StudyError as error:
            if self._store.locked() or "next item" not in set(error.problems["column"]):
                raise
            row = error.problems.iloc[0]
            self.pause, view = f"{row['found'].capitalize()}. {row['remedy']}.", pd.DataFrame()
        self._show(view)

    def previous(self) -> None:
        """Open the film before this one again, to look and to correct; only within a session."""
        self._go_to(self.number - 1 if self.number else int(self._worklist()["finished"].sum()))

    def next(self) -> None:
        """Open the film after this one, if this one is finished; else `finish` comes first."""
        if self.radiograph is not None and not self.finished:
            raise study_error(
                column="next",
                found="a film that is not finished",
                expected="films read in their order",
                remedy="Finish this one first",
            )
        view = self._worklist()
        after = view[view["number"] == self.number + 1]
        if len(after) and after["finished"].iloc[0]:
            self._go_to(self.number + 1)
        else:
            self.open_item()

    def finish(self, *, remark: str = "") -> None:
        """Store that the film in hand is read, and open the next one.

        Parameters
        ----------
        remark
            Why something that the plan asks for is not there; needed only then.

        Raises
        ------
        StudyError
            If something is missing and no remark says why; then nothing was stored.
        """
        if self.finished or not self._has_film:
            self.next()
            return
        sheet = self.sheet
        left = self.missing()
        if left and not remark.strip():
            raise study_error(
                column="finish",
                found="still to do: " + ", ".join(left[:6]) + (", …" if len(left) > 6 else ""),
                count=1,
                expected="everything that was asked for, or a remark that says why not",
                remedy="Do it, or say why it cannot be done",
            )
        self._store.finish_item(
            sheet.item_id,
            reader_id=self._reader_id,
            image_sha256=self._sha256,
            duration_s=sheet.seconds(),
            remark=remark.strip(),
        )
        self.open_item()

    def choose(self, step: int | None) -> None:
        """Ask for another step than the next one, by its place in `steps`; None follows the plan again."""
        if step is not None and not (isinstance(step, int) and 0 <= step < len(self.steps)):
            raise study_error(
                column="step",
                found=str(step),
                expected=f"a number from 0 to {len(self.steps) - 1}",
                remedy="Choose a step of this film",
            )
        self._chosen = step
        self._changed()

    @property
    def steps(self) -> list[Step]:
        """What is asked for on the film in view, in order."""
        return self._steps

    @property
    def asked(self) -> int | None:
        """The place of the step that is asked for now; None when nothing is left."""
        return next_step(self._steps, self.sheet.done, self._chosen) if self._has_film else None

    def missing(self) -> list[str]:
        """What the plan still asks for on the film in view, in words."""
        return missing_words(self._steps, self.sheet.done) if self._has_film else []

    @property
    def sheet(self) -> Sheet:
        """What stands on the film in view."""
        if self._open_sheet is None:
            raise no_film()
        return self._open_sheet

    def _changed(self) -> None:
        """Called after every change; a screen follows it."""

    @property
    def _has_film(self) -> bool:
        return self.radiograph is not None

    def _worklist(self) -> pd.DataFrame:
        return self._store.worklist(self._reader_id)

    def _go_to(self, number: int) -> None:
        view = self._worklist()
        row = view[view["number"] == number]
        if not len(row):
            raise study_error(
                column="film",
                found=f"no film {number}",
                expected=f"films 1 to {len(view)}",
                remedy="Stay on this one",
            )
        self._show(row)

    def _show(self, view: pd.DataFrame) -> None:
        """Bring an item into view, or nothing; the film before it is let go first, then another is read."""
        if not len(view):
            self._forget()
            self._changed()
            return
        row = view.iloc[0]
        item_id = str(row["item_id"])
        history = self._store.item_history(item_id, reader_id=self._reader_id)  # refused before all else
        self._forget()
        self.number, self.of = int(row["number"]), int(row["of"])
        self.finished, self.sides = bool(row["finished"]), str(row["sides"])
        film = self._opened(item_id)
        self.pause = ""
        self._sha256 = film.sha256
        self._open_sheet = Sheet(
            self._store, item_id, history, reader_id=self._reader_id, image_sha256=film.sha256
        )
        self._steps = plan_steps(self._plan, self._zone_systems, sides=self.sides)
        self.radiograph = film.radiograph
        self._changed()

    def _opened(self, item_id: str) -> ShownFilm:
        """The film of an item; what its failure says may name the file, so the reader is told less."""
        try:
            return self._film_of(self._store.item_image(item_id))
        except Exception as error:  # foreign code that reads files: anything may happen
            self.fault = error
            self.pause = "This film cannot be opened."
            self._changed()
            raise study_error(
                column="film",
                found="a film that cannot be opened",
                expected="the image of the worklist",
                remedy="Tell whoever runs the reading; what was read is kept, and Next tries again",
            ) from error

    def _forget(self) -> None:
        self.radiograph = self._open_sheet = self._chosen = None
        self._steps = []
        self.number = self.of = 0
        self.views += 1
        self.finished, self.sides, self._sha256 = False, "", ""

    def _followed(self, key: tuple[str, ...], *, again: bool) -> None:
        """Follow the plan again once the chosen step is complete; more marks than asked for may follow."""
        if self._chosen is None or key_of(self._steps[self._chosen]) != key:
            return
        step, done = self._steps[self._chosen], self.sheet.done
        if again or (isinstance(step, MarkStep) and done[key] == step.asked):
            self._chosen = None


def no_film() -> StudyError:
    """Nothing can be done without a film in view."""
    return study_error(
        column="film", found="no film in view", expected="a film", remedy="Open one with previous() or next()"
    )
