"""FilmRecipe and ImplantRecipe: everything that is needed to make one film, frozen."""

from __future__ import annotations

from dataclasses import dataclass, replace

from cohortlib.synthetic.lucent_line import LucentLine, line_problems
from cohortlib.synthetic.recipe_limits import not_among, not_between, refuse

DESIGNS = ("resurfacing", "short_stem")
SIDES = ("left", "right")
HEAD_MATERIALS = ("cobalt-chrome", "ceramic")
PHOTOMETRICS = ("MONOCHROME2", "MONOCHROME1")
POSITIONS = ("supine", "standing")
OTHER_SIDE = {"left": "right", "right": "left"}


@dataclass(frozen=True)
class ImplantRecipe:
    """One implanted hip; both designs are inventions of this project.

    Attributes
    ----------
    side
        "left" or "right" of the patient.
    design
        "resurfacing" (cobalt-chrome cup, capped head with a peg in the kept neck) or "short_stem"
        (titanium shell, polyethylene liner, ball head, short curved titanium stem).
    head_diameter_mm, cup_diameter_mm
        Outer diameters [mm]; cup and head are concentric.
    inclination_deg, anteversion_deg
        Radiographic angles [deg] of the cup axis in the pelvis frame: the anterior pelvic plane is
        the coronal plane, whatever the tilt of the film.
    medial_mm, proximal_mm, anterior_mm
        Cup centre from the native head centre [mm]; + is medial, proximal, anterior on both sides.
    stem_shaft_angle_deg
        Between the peg (resurfacing) or the prosthetic neck (short stem) and the femoral shaft [deg].
    leg_lengthening_mm, offset_change_mm
        Short stem only: how far the head centre stands above, and lateral of, where it stood on the
        native femur [mm] (+ lengthens the leg; + moves the femur laterally).
    stem_length_mm
        Short stem: from the resection to the tip along the stem; resurfacing: length of the peg [mm];
        None takes the usual length of the design.
    head_material
        "cobalt-chrome" or "ceramic"; a resurfacing head is cobalt-chrome.
    lines
        Radiolucent lines, at most one a zone.
    subsidence_mm
        How far the femoral component has sunk into the femur since the operation [mm]: the short stem along
        the shaft, the resurfacing along its peg.
    neck_narrowing
        Resurfacing only: part of its width that the neck has lost below the cap.
    ossification
        Bone beside the hip joint: 0 none, 1 islands, 2 spurs with a gap of at least 10 mm, 3 spurs with a
        smaller gap, 4 a bridge.
    """

    side: str
    design: str
    head_diameter_mm: float
    cup_diameter_mm: float
    inclination_deg: float
    anteversion_deg: float
    medial_mm: float = 0.0
    proximal_mm: float = 0.0
    anterior_mm: float = 0.0
    stem_shaft_angle_deg: float = 135.0
    leg_lengthening_mm: float = 0.0
    offset_change_mm: float = 0.0
    stem_length_mm: float | None = None
    head_material: str = "cobalt-chrome"
    lines: tuple[LucentLine, ...] = ()
    subsidence_mm: float = 0.0
    neck_narrowing: float = 0.0
    ossification: int = 0

    def __post_init__(self) -> None:
        wall_mm = (self.cup_diameter_mm - self.head_diameter_mm) / 2
        least_mm = 1.5 if self.design == "resurfacing" else 6.0
        refuse(
            not_among("side", self.side, SIDES),
            not_among("design", self.design, DESIGNS),
            not_among("head_material", self.head_material, HEAD_MATERIALS),
            not_between("head_diameter_mm", self.head_diameter_mm, 20, 70),
            not_between("cup_diameter_mm", self.cup_diameter_mm, 36, 80),
            not_between("cup wall (cup less head, halved) [mm]", wall_mm, least_mm, 25),
            not_between("inclination_deg", self.inclination_deg, 0, 90),
            not_between("anteversion_deg", self.anteversion_deg, -45, 60),
            *(not_between(name, getattr(self, name), -30, 30) for name in _IMPLANT_SHIFTS),
            not_between("stem_shaft_angle_deg", self.stem_shaft_angle_deg, 110, 160),
            not_between(
                "stem_length_mm", 60.0 if self.stem_length_mm is None else self.stem_length_mm, 20, 140
            ),
            *line_problems(self.lines, self.design),
            not_between("subsidence_mm", self.subsidence_mm, 0, 20),
            not_between("neck_narrowing", self.neck_narrowing, 0, 0.4 * (self.design == "resurfacing")),
            not_between("ossification", self.ossification, 0, 4),
        )


@dataclass(frozen=True)
class FilmRecipe:
    """One AP pelvis film: patient, pose, beam and detector.

    Attributes
    ----------
    seed
        Of the quantum noise and the bowel: differs from film to film.
    patient_seed
        Of the bone texture: the same on every film of a patient.
    implants
        None, one or two (one a side).
    size
        Scale of the mean anatomy: transverse, front to back, head to foot.
    lower_pelvis_width
        Relative widening of the pelvis 100 mm below the hips (and narrowing above); + opens the
        subpubic angle.
    tilt_deg
        Pelvis about its transverse axis [deg]; + anterior; 0 puts the anterior pelvic plane parallel
        to the film.
    rotation_deg
        Pelvis about its long axis [deg]; + turns the front to the patient's left.
    obliquity_deg
        Pelvis in the plane of the film [deg]; + left side higher.
    offset_left_mm, offset_proximal_mm
        Middle of the native hip centres from the beam axis, in the patient [mm]; + to the patient's
        left and to the head.
    femur_internal_rotation_deg, femur_abduction_deg
        Both legs about their hip centres [deg].
    source_to_detector_mm, source_to_hips_mm
        Distances along the beam [mm].
    spacing_mm, columns, rows
        The detector; the beam meets it in the middle.
    collimation_mm
        Unexposed border on each edge of the detector [mm].
    photometric
        "MONOCHROME2" (stored large = white = dense) or "MONOCHROME1" (stored large = black).
    position
        "supine" or "standing"; written to the file, the pose is given by the angles.
    quanta
        Detected quanta in a pixel of 0.3 mm without patient; 0 switches the noise off.
    blur_mm
        Standard deviation of focal spot and detector blur together, at the detector [mm].
    thickness_mm, width_mm
        Of the body at the hips, front to back and across [mm].
    bone_density
        Factor on the mineral of cortex and spongiosa.
    texture
        Factor on trabecular and bowel texture; 0 leaves smooth bodies.
    equalisation
        Part of the broad course of the picture that is taken off, 0 to 0.8; 0 keeps the stored values
        linear in log exposure.
    side_marker
        A lead letter L beside the patient's left thigh.
    contrast
        Part of the scale of stored values that the film uses; less than 1 makes it flat.
    inverted
        Whether black and white are exchanged in the stored values without the file saying so.
    secondary_capture
        Whether the film was saved again as a picture of eight bits, without its beam and its detector.
    """

    seed: int
    implants: tuple[ImplantRecipe, ...] = ()
    patient_seed: int = 0
    size: tuple[float, float, float] = (1.06, 1.06, 1.06)
    lower_pelvis_width: float = 0.0
    tilt_deg: float = 0.0
    rotation_deg: float = 0.0
    obliquity_deg: float = 0.0
    offset_left_mm: float = 0.0
    offset_proximal_mm: float = -20.0
    femur_internal_rotation_deg: float = 5.0
    femur_abduction_deg: float = 0.0
    source_to_detector_mm: float = 1150.0
    source_to_hips_mm: float = 1010.0
    spacing_mm: float = 0.30
    columns: int = 1400
    rows: int = 1150
    collimation_mm: float = 0.0
    photometric: str = "MONOCHROME2"
    position: str = "supine"
    quanta: float = 250000.0
    blur_mm: float = 0.20
    thickness_mm: float = 210.0
    width_mm: float = 360.0
    bone_density: float = 1.0
    texture: float = 1.0
    equalisation: float = 0.0
    side_marker: bool = True
    contrast: float = 1.0
    inverted: bool = False
    secondary_capture: bool = False

    def __post_init__(self) -> None:
        sides = [implant.side for implant in self.implants]
        refuse(
            not_between("number of implants", len(sides), 0, 2),
            not_between("number of implants on one side", max(map(sides.count, sides), default=0), 0, 1),
            *(not_between("size", scale, 0.7, 1.4) for scale in self.size),
            *(
                not_between(name, getattr(self, name), low, high)
                for name, (low, high) in _FILM_LIMITS.items()
            ),
            not_between("source_to_hips_mm", self.source_to_hips_mm, 600, self.source_to_detector_mm - 60),
            not_among("photometric", self.photometric, PHOTOMETRICS),
            not_among("position", self.position, POSITIONS),
        )


_IMPLANT_SHIFTS = ("medial_mm", "proximal_mm", "anterior_mm", "leg_lengthening_mm", "offset_change_mm")
_FILM_LIMITS = {
    "lower_pelvis_width": (-0.3, 0.3),
    "tilt_deg": (-40, 40),
    "rotation_deg": (-30, 30),
    "obliquity_deg": (-20, 20),
    "offset_left_mm": (-150, 150),
    "offset_proximal_mm": (-150, 150),
    "femur_internal_rotation_deg": (-60, 60),
    "femur_abduction_deg": (-20, 20),
    "source_to_detector_mm": (800, 2000),
    "spacing_mm": (0.1, 0.8),
    "columns": (64, 4400),
    "rows": (64, 4400),
    "collimation_mm": (0, 100),
    "quanta": (0, 1e7),
    "blur_mm": (0, 2),
    "thickness_mm": (120, 400),
    "width_mm": (250, 600),
    "bone_density": (0.3, 2),
    "texture": (0, 3),
    "equalisation": (0, 0.8),
    "contrast": (0.05, 1),
}


def mirrored_recipe(recipe: FilmRecipe) -> FilmRecipe:
    """The recipe of the same film with left and right of the patient exchanged."""
    return replace(
        recipe,
        implants=tuple(replace(implant, side=OTHER_SIDE[implant.side]) for implant in recipe.implants),
        rotation_deg=-recipe.rotation_deg,
        obliquity_deg=-recipe.obliquity_deg,
        offset_left_mm=-recipe.offset_left_mm,
    )
