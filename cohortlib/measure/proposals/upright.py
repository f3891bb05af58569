"""The right way round: which of the two polarities of a film shows dense things white."""

from __future__ import annotations

from cohortlib.image import Radiograph
from cohortlib.measure.proposals.coarse import CoarseFilm, brighter_rim, coarse_film
from cohortlib.measure.proposals.rounds import Round, bright_rounds

#: A round thing is metal from this share of its rim times its contrast on; natural heads reach a third.
_LEAST_PROMINENCE = 0.2
#: Without a spacing the largest radius looked for grows by this much.
_UNSCALED = 1.25


def upright_film(radiograph: Radiograph) -> tuple[CoarseFilm, list[Round], bool]:
    """The coarse film, white = dense, its round metal, and whether it had to be inverted.

    Metal decides where there is any; else what lies beside the patient.
    """
    film = coarse_film(radiograph)
    inverted = film._replace(grey=1.0 - film.grey)
    likely = brighter_rim(film.grey) > 0.0
    for turned in (likely, not likely):
        view = inverted if turned else film
        rounds = _metal(bright_rounds(view.grey, widest=1.0 if view.scaled else _UNSCALED))
        if rounds:
            return view, rounds, turned
    return (inverted if likely else film), [], likely


def _metal(rounds: list[Round]) -> list[Round]:
    return [one for one in rounds if one.share * one.contrast > _LEAST_PROMINENCE]
