"""Whether two films of a patient can be compared: how technique changed, before it is said that a hip did."""

from __future__ import annotations

from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.measure.rows import check_columns

#: What a table of films may say of each film; what it lacks is reported as not known.
FILM_FACTS = (
    "view",
    "position",
    "scale_source",
    "source_to_detector_mm",
    "beam_left_mm",
    "beam_proximal_mm",
    "pelvic_tilt_deg",
    "pelvic_rotation_deg",
    "magnification",
)


#: How the note of a change begins where the films were not taken alike.
TECHNIQUE_CHANGED = "technique changed"


class Limit(NamedTuple):
    """From which difference two films are not alike, and what it does to measurements."""

    most: float
    effect: str


#: Common practice, no source, but for what is named.
LIMITS = {
    "source_to_detector_mm": Limit(50.0, "magnification and the effect of the beam differ"),
    "beam_left_mm": Limit(
        30.0, "centring moves anteversion: 3 to 6 degrees from pelvis to hip (Derbyshire 2008)"
    ),
    "beam_proximal_mm": Limit(30.0, "centring moves inclination and anteversion"),
    "pelvic_tilt_deg": Limit(5.0, "one degree of tilt moves anteversion by about 0.7 degrees"),
    "pelvic_rotation_deg": Limit(3.0, "rotation moves anteversion, offset and horizontal distances"),
    "magnification": Limit(0.03, "lengths change with the depth of the hip"),
}
_WORDS = {
    "view": "another view shows other things",
    "position": "standing and lying differ by pelvic tilt and load",
    "scale_source": "lengths are scaled in different ways",
}


def technique_changes(films: pd.DataFrame, *, baseline: str) -> pd.DataFrame:
    """Each later film of a patient against that of the baseline visit: what of the technique differs.

    Parameters
    ----------
    films
        One row a film: image_id, patient_id, visit_id, and as many of `FILM_FACTS` as are known. The beam is
        where the central ray passes the middle between the hips or teardrops, + to the patient's left and to
        the head.
    baseline
        The visit that others are compared with.

    Returns
    -------
    DataFrame
        image_id, patient_id, visit_id, image_id_before (empty where there is none), comparable ("yes", "no"
        or "not known"), changed, not_known: both in words, "" if nothing.

    Raises
    ------
    StudyError
        If an id column is missing, or no film is of the baseline visit, or a patient has two.

    Notes
    -----
    "no" where one fact differs by more than `LIMITS` or is another word; "not known" where nothing is known
    to differ but position or view of a film is not stated, or there is no earlier film. A flag asks to look;
    it corrects nothing.
    """
    check_columns(films, ("image_id", "patient_id", "visit_id"), name="films")
    first = films[films["visit_id"] == baseline]
    twice = first["patient_id"].duplicated()
    if first.empty or twice.any():
        raise study_error(
            file="films",
            column="visit_id",
            found=f"two films of {first.loc[twice, 'patient_id'].iloc[0]}" if len(first) else "no film",
            count=max(int(twice.sum()), 1),
            expected=f"one film of each patient at {baseline!r}",
            remedy="Name the visit, and choose one of its films",
        )
    before = first.set_index("patient_id").to_dict("index")
    rows = []
    for film in films[films["visit_id"] != baseline].to_dict("records"):
        earlier: dict[Any, Any] = before.get(film["patient_id"], {})
        changed, unknown = _compared(film, earlier)
        weighty = not earlier or any(name in unknown for name in ("view", "position"))
        state = "no" if changed else "not known" if weighty else "yes"
        rows.append(
            {
                "image_id": film["image_id"],
                "patient_id": film["patient_id"],
                "visit_id": film["visit_id"],
                "image_id_before": earlier.get("image_id", ""),
                "comparable": state,
                "changed": "; ".join(changed),
                "not_known": ", ".join(unknown) if earlier else f"no film at {baseline}",
            }
        )
    columns = ["image_id", "patient_id", "visit_id", "image_id_before", "comparable", "changed", "not_known"]
    return pd.DataFrame(rows, columns=columns).astype("str")


def _compared(film: dict[Any, Any], earlier: dict[Any, Any]) -> tuple[list[str], list[str]]:
    """What differs, in words, and which facts are not known of one of both."""
    changed, unknown = [], []
    for name in FILM_FACTS:
        now, then = film.get(name), earlier.get(name)
        if pd.isna(now) or pd.isna(then) or now == "" or then == "":
            unknown.append(name)
        elif name in _WORDS:
            if now != then:
                changed.append(f"{name} {then} → {now}: {_WORDS[name]}")
        elif abs(float(now) - float(then)) > LIMITS[name].most:
            changed.append(f"{name} {float(then):.4g} → {float(now):.4g}: {LIMITS[name].effect}")
    return changed, unknown


def flagged_changes(changes: pd.DataFrame, technique: pd.DataFrame) -> pd.DataFrame:
    """Changes of components with the change of technique written before their note.

    Parameters
    ----------
    changes
        From `change.change_since`.
    technique
        From `technique_changes`, against the same visit.

    Returns
    -------
    DataFrame
        As `changes`; `note` begins with "technique changed: …" or "technique not known: …" where that is so.
        Values stay as they are.

    Raises
    ------
    StudyError
        If a column is missing.
    """
    check_columns(changes, ("image_id", "note"), name="changes")
    check_columns(technique, ("image_id", "comparable", "changed", "not_known"), name="technique")
    said = {
        str(row["image_id"]): f"{TECHNIQUE_CHANGED}: {row['changed']}"
        if row["comparable"] == "no"
        else f"technique not known: {row['not_known']}"
        for row in technique.to_dict("records")
        if row["comparable"] != "yes"
    }
    known = set(technique["image_id"].astype(str))
    notes = []
    for image_id, note in zip(changes["image_id"].astype(str), changes["note"].astype(str), strict=True):
        flag = said.get(image_id, "" if image_id in known else "technique not known: film not compared")
        notes.append("; ".join(text for text in (flag, note) if text))
    return changes.assign(note=notes)
