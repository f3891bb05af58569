"""Where the X-rays came from: distance of the source, and the central ray on the image."""

from __future__ import annotations

from pydicom.dataset import Dataset

from cohortlib.dicom.elements import label, numbers, shown, whole, words

#: A source nearer or farther than this is none of a hip film's [mm] (common practice, no source).
PLAUSIBLE_DISTANCE_MM = (500.0, 5000.0)
#: A collimated field smaller than this part of the image is a mistake (common practice, no source).
LEAST_FIELD = 0.1
#: A beam tilted by more than this does not meet the detector squarely [deg].
LARGEST_TILT_DEG = 1.0

_EDGES = (
    "CollimatorLeftVerticalEdge",
    "CollimatorRightVerticalEdge",
    "CollimatorUpperHorizontalEdge",
    "CollimatorLowerHorizontalEdge",
)
_TILTS = ("DetectorPrimaryAngle", "DetectorSecondaryAngle", "ColumnAngulation")


def source_to_detector_mm(dataset: Dataset) -> tuple[float | None, list[str]]:
    """Distance Source to Detector (0018,1110) [mm] or None, and a note if what stands there is impossible."""
    values = numbers(dataset, "DistanceSourceToDetector")
    low, high = PLAUSIBLE_DISTANCE_MM
    if len(values) == 1 and low <= values[0] <= high:
        return values[0], []
    if not values or values == (0.0,):
        return None, []
    keyword = "DistanceSourceToDetector"
    return None, [f"{label(keyword)} {shown(words(dataset, keyword))} is no distance in mm: not used"]


def beam_centre_px(dataset: Dataset) -> tuple[tuple[float, float] | None, str, list[str]]:
    """Where the central ray meets the image as stored, (x, y) [px], or None; its source; notes.

    Notes
    -----
    DICOM has no element for the central ray of a radiograph. A collimator opens symmetrically about it
    (common practice, no source), so the middle of the collimated field is taken:

    x = (left + right) / 2 - 1, y = (upper + lower) / 2 - 1,

    because the collimator counts the first pixel as 1, 1 and this project as 0, 0. A circular collimator
    gives its centre, as row and column. No centre is given if

    - the edges are incomplete, out of order, enclose less than a tenth of the image, or have their middle
      off the image: a real film in the test data has left -184 and right 184, about some other origin;
    - one edge of a pair lies on or beyond the border and the other does not: the detector cut the field;
    - the beam is tilted against the detector.

    References
    ----------
    DICOM PS3.3, C.8.7.3 X-Ray Collimator Module.
    """
    centre, source, notes = _centre(dataset)
    tilted = [key for key in _TILTS if any(abs(angle) > LARGEST_TILT_DEG for angle in numbers(dataset, key))]
    if centre and tilted:
        notes.append(
            f"{label(tilted[0])} {shown(numbers(dataset, tilted[0]))}: no beam centre for a tilted beam"
        )
        centre, source = None, ""
    return centre, source, notes


def _centre(dataset: Dataset) -> tuple[tuple[float, float] | None, str, list[str]]:
    edges = [numbers(dataset, keyword) for keyword in _EDGES]
    if all(len(edge) == 1 for edge in edges):
        left, right, upper, lower = (edge[0] for edge in edges)
        across = _middle(left, right, whole(dataset, "Columns"))
        down = _middle(upper, lower, whole(dataset, "Rows"))
        if across is not None and down is not None:
            return (across, down), "middle of the collimated field", []
        return None, "", [f"collimator edges {shown([left, right, upper, lower])} give no beam centre"]
    circle = numbers(dataset, "CenterOfCircularCollimator")
    if len(circle) == 2:
        row, column = circle
        if 1 <= row <= whole(dataset, "Rows") and 1 <= column <= whole(dataset, "Columns"):
            return (column - 1, row - 1), "centre of the circular collimator", []
        return None, "", [f"{label('CenterOfCircularCollimator')} {shown(circle)} is off the image: not used"]
    return None, "", []


def _middle(first: float, last: float, size: int) -> float | None:
    """Middle [px, first pixel 0] of two edges [px, first pixel 1], or None if they cannot tell it."""
    middle = (first + last) / 2
    cut = (first <= 1) != (last >= size)
    wide = last - first + 1 >= LEAST_FIELD * size
    return middle - 1 if wide and not cut and 1 <= middle <= size else None
