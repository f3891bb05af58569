"""A place to read films: a marking pad for JupyterLab, and the same actions without a screen."""

from cohortlib.widgets.pad.films import ShownFilm, study_films
from cohortlib.widgets.pad.marked_zones import marked_zones
from cohortlib.widgets.pad.pad import MarkingPad

__all__ = ["MarkingPad", "ShownFilm", "marked_zones", "study_films"]
