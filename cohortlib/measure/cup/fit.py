"""Fit the cup model to the edges of its metal on the film."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cohortlib.geometry.circle import Circle
from cohortlib.geometry.ellipse import near_distances
from cohortlib.measure.cup.model import CupModel, Outline
from cohortlib.measure.descent import descent
from cohortlib.measure.edges import falling_edges

Array = NDArray[np.float64]
#: Neighbouring edge points share blur and noise: count one independent point per this length.
_INDEPENDENT_MM = 2.0
#: How far the edge is looked for in turn; the first pass must reach beyond a reader's click error.
_COARSE_MM = (4.0, 3.0, 2.0)
_FINE_MM = (1.2, 1.2)
_SPACING_MM = 0.6
#: Metal thins out to a wedge at the rim: the steepest fall of density lies inside of the true edge, by 0.2
#: to 0.5 mm on simulated films of cobalt-chrome and titanium cups. Mean and standard deviation beforehand.
_INSET_MM = (0.3, 0.15)
#: An edge this far from the outline is partly explained by it.
_EXPLAINED_MM = 0.15
#: How well the setback of the opening is known before the film is looked at: none to a seventh.
_SETBACK_SHARE = (0.06, 0.06)

#: x, y, radius [mm], inclination, anteversion [deg], setback, inset [mm]: differences that do not matter.
_STEPS = np.array([0.01, 0.01, 0.01, 0.02, 0.04, 0.02, 0.01])


@dataclass(frozen=True)
class CupFit:
    """A fitted cup model, with what it rests on.

    Attributes
    ----------
    model
        The cup.
    covariance : (7, 7)
        Of x, y, radius [mm], inclination, anteversion [deg], setback [mm] and how far inside of the rim
        its edge is seen [mm].
    rms
        Of the edges about the outline [mm].
    rim_seen
        Length of the rim with an edge found on it, towards either end of its opening [mm].
    dome_seen
        Length of the dome with an edge found on it [mm].
    explained
        Length of film edge that the outline explains [mm]; compares fits of one cup.
    """

    model: CupModel
    covariance: Array
    rms: float
    rim_seen: tuple[float, float]
    dome_seen: float
    explained: float


@dataclass(frozen=True)
class Scene:
    """What a cup fit looks at: the film in working millimetres.

    Attributes
    ----------
    pixels
        White = dense.
    mm_per_px
        (x, y) of one pixel [mm].
    head
        The head's outline, or None; what lies within is hidden.
    radius, radius_sd
        The ball's expected radius and how well it is known [mm].
    least_drop
        Least fall of grey per pixel that is an edge of metal.
    """

    pixels: NDArray[np.float32]
    mm_per_px: tuple[float, float]
    head: Circle | None
    radius: float
    radius_sd: float
    least_drop: float


def best_cups(scene: Scene, starts: list[CupModel]) -> list[CupFit]:
    """Different cups that follow the film's edges near the starts, the best explained first.

    Each start is followed coarsely; what ends more than 1 degree or 1 mm apart is then fitted finely.
    """
    coarse = [fit for start in starts if (fit := _followed(scene, start, _COARSE_MM)) is not None]
    coarse.sort(key=lambda fit: -fit.explained)
    distinct: list[CupFit] = []
    for fit in coarse:
        if all(_apart(fit.model, other.model) > 1.0 for other in distinct):
            distinct.append(fit)
    begin = [fit.model for fit in distinct]
    # Where the rays run along the opening, two poses meet in one and no slope leads away: step aside.
    begin += [replace(model, anteversion_deg=model.anteversion_deg + 4.0) for model in begin[:1]]
    fine = [fit for start in begin if (fit := _followed(scene, start, _FINE_MM)) is not None]
    return sorted(fine, key=lambda fit: -fit.explained)


def _apart(first: CupModel, second: CupModel) -> float:
    return max(
        abs(first.inclination_deg - second.inclination_deg),
        abs(first.anteversion_deg - second.anteversion_deg),
        abs(first.x - second.x),
        abs(first.y - second.y),
    )


def _followed(scene: Scene, start: CupModel, reaches: tuple[float, ...]) -> CupFit | None:
    """The start moved to the edges within ever shorter reach; None if too few are seen."""
    model, fit = start, None
    # Where the ball reaches up to the source its outline does not close.
    if max(start.radius, 0.5 * scene.radius) >= start.most_radius:
        return None
    for reach in reaches:
        edges, on_rim = outline_edges(scene, model, reach)
        if on_rim.sum() < 8 or (~on_rim).sum() < 8:
            return None
        fit = _fit_to_edges(scene, model, edges, on_rim, forgiveness=max(0.15, 0.08 * reach))
        model = fit.model
    return fit


def outline_edges(scene: Scene, model: CupModel, reach_mm: float) -> tuple[Array, NDArray[np.bool_]]:
    """Edge points (n, 2) [mm] found along the model's outline, and which of them belong to the rim."""
    outline = _visible(model.outline(_SPACING_MM), scene.head)
    scale = np.array([scene.mm_per_px[0], -scene.mm_per_px[1]])
    across = outline.outward / scale
    length = np.linalg.norm(across, axis=1, keepdims=True)
    found = falling_edges(
        scene.pixels,
        outline.points / scale,
        across / length,
        reach_px=reach_mm / scene.mm_per_px[0],
        least_drop=scene.least_drop,
    )
    moved = outline.points + outline.outward * (found.offset_px[:, None] / length)
    return moved[found.found], outline.on_rim[found.found]


def _visible(outline: Outline, head: Circle | None) -> Outline:
    """The outline without what the head hides."""
    if head is None:
        return outline
    away = np.linalg.norm(outline.points - head.centre, axis=1)
    seen = away > head.radius + 1.0
    return Outline(outline.points[seen], outline.outward[seen], outline.on_rim[seen])


def _fit_to_edges(
    scene: Scene, start: CupModel, edges: Array, on_rim: NDArray[np.bool_], *, forgiveness: float
) -> CupFit:
    ball = scene.radius
    # What is known beforehand of radius, setback and inset counts as one more observation each.
    known = np.array([ball, _SETBACK_SHARE[0] * ball, _INSET_MM[0]])
    known_sd = np.array([scene.radius_sd, _SETBACK_SHARE[1] * ball, _INSET_MM[1]])

    def residuals(parameters: Array) -> Array:
        model = _moved(start, parameters)
        return np.concatenate(
            [
                near_distances(model.rim_shadow(), edges[on_rim]) + parameters[6],
                near_distances(model.dome_shadow(), edges[~on_rim]),
                forgiveness * (parameters[[2, 5, 6]] - known) / known_sd,
            ]
        )

    found, jacobian = descent(
        residuals,
        np.array([start.x, start.y, start.radius, *_pose(start), start.setback, _INSET_MM[0]]),
        low=np.array([-np.inf, -np.inf, 0.5 * ball, 0.0, -60.0, -0.05 * ball, -0.2]),
        high=np.array([np.inf, np.inf, min(2.0 * ball, start.most_radius), 89.9, 75.0, 0.45 * ball, 0.8]),
        forgiveness=forgiveness,
        steps=_STEPS,
    )
    distances = residuals(found)[:-3]
    return CupFit(
        model=_moved(start, found),
        covariance=_covariance(jacobian[:-3], distances, known_sd),
        rms=float(np.sqrt(np.mean(distances**2))),
        rim_seen=_rim_seen(_moved(start, found), edges[on_rim]),
        dome_seen=float((~on_rim).sum() * _SPACING_MM),
        explained=float(_SPACING_MM * np.exp(-((distances / _EXPLAINED_MM) ** 2)).sum()),
    )


def _rim_seen(model: CupModel, edges: Array) -> tuple[float, float]:
    rim = model.rim_shadow()
    along = np.radians(rim.angle_deg)
    one_way = int(((edges - rim.centre) @ np.array([np.cos(along), np.sin(along)]) > 0).sum())
    return one_way * _SPACING_MM, (len(edges) - one_way) * _SPACING_MM


def _pose(model: CupModel) -> tuple[float, float]:
    return model.inclination_deg, model.anteversion_deg


def _moved(model: CupModel, parameters: Array) -> CupModel:
    x, y, radius, inclination, anteversion, setback = map(float, parameters[:6])
    # An opening exactly edge-on casts no ellipse: step aside by less than anyone can measure.
    if abs(anteversion) < 0.02:
        anteversion = 0.02
    return replace(
        model,
        x=x,
        y=y,
        radius=radius,
        inclination_deg=inclination,
        anteversion_deg=anteversion,
        setback=setback,
    )


def _covariance(jacobian: Array, distances: Array, known_sd: Array) -> Array:
    """Covariance of the parameters, with neighbouring edge points counted as the few they are worth."""
    spread = max(1.4826 * float(np.median(np.abs(distances))), 1e-3)
    information = jacobian.T @ jacobian * min(1.0, _SPACING_MM / _INDEPENDENT_MM) / spread**2
    information[[2, 5, 6], [2, 5, 6]] += known_sd**-2.0
    return np.asarray(np.linalg.pinv(information), dtype=np.float64)
