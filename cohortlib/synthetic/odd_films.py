"""Films that are not as they should be, one oddity each: what a measurement must survive or refuse."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from cohortlib.synthetic.lucent_line import LucentLine
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe

_LINES = (
    LucentLine("cup", 1, 1.5, 0.7, 0.2, 0.4),
    LucentLine("stem", 1, 1.5, 1.0, 0.0, 0.4),
    LucentLine("stem", 2, 1.0, 0.5, 0.0, 0.4),
)
_RESURFACING = ImplantRecipe("left", "resurfacing", 48.0, 54.0, 42.0, 16.0, lines=_LINES)
_SHORT_STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, 40.0, 18.0, lines=_LINES)


def odd_film_recipes(*, seed: int) -> dict[str, FilmRecipe]:
    """Recipes of one invented patient by what is odd about the film; "usual" has nothing odd.

    Parameters
    ----------
    seed
        Of the noise.

    Notes
    -----
    All of them show a resurfacing on the left with the same lines, except where that is the oddity.
    """
    usual = FilmRecipe(seed, (_RESURFACING,), patient_seed=1, equalisation=0.4)

    def changed(**changes: Any) -> FilmRecipe:
        return replace(usual, implants=(replace(_RESURFACING, **changes),))

    return {
        "usual": usual,
        "neighbouring implant": replace(usual, implants=(_RESURFACING, _SHORT_STEM)),
        "pelvis tilted": replace(usual, tilt_deg=14.0),
        "pelvis rotated": replace(usual, rotation_deg=10.0),
        "leg rotated": replace(usual, femur_internal_rotation_deg=-20.0),
        "fine pixels": replace(usual, spacing_mm=0.1, columns=4200, rows=3450),
        "coarse pixels": replace(usual, spacing_mm=0.4, columns=1050, rows=862),
        "low values white": replace(usual, photometric="MONOCHROME1"),
        "black and white exchanged": replace(usual, inverted=True),
        "flat": replace(usual, contrast=0.25),
        "few quanta": replace(usual, quanta=8000.0),
        "unsharp": replace(usual, blur_mm=0.8),
        "narrow field": replace(usual, collimation_mm=60.0),
        "no side marker": replace(usual, side_marker=False),
        "secondary capture": replace(usual, secondary_capture=True),
        "thin bone": replace(usual, bone_density=0.5),
        "large patient": replace(usual, thickness_mm=320.0, width_mm=480.0, source_to_hips_mm=950.0),
        "cup migrated": changed(proximal_mm=6.0, medial_mm=2.0, inclination_deg=52.0),
        "stem sunk": changed(subsidence_mm=4.0),
        "neck narrowed": changed(neck_narrowing=0.15),
        "new bone": changed(ossification=3),
    }
