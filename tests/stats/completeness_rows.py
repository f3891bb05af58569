"""Completeness rows written by hand, one line a hip: patient, hip, arm, status, reason."""

import pandas as pd


def completeness_rows(*lines, visit_id="month_12", examination="visit"):
    table = pd.DataFrame(lines, columns=["patient_id", "hip_id", "arm", "status", "reason"])
    status = table["status"]
    early = status.str.endswith(", early")
    status = status.str.removesuffix(", early")
    expected = status != "excused"
    return table.assign(
        visit_id=visit_id,
        examination=examination,
        status=status,
        expected=expected,
        due=expected & ~early & (status != "not yet due"),
        received=status.str.startswith("received"),
        overdue=status == "overdue",
    )


IN, OUT = "received in window", "received outside window"


def small_cohort():
    """Seven patients, nine hips; p4 has a hip in each arm, p7 was never operated on."""
    return completeness_rows(
        ("p1", "h1", "new", IN, ""),
        ("p2", "h2", "new", OUT, ""),
        ("p3", "h3L", "new", IN, ""),
        ("p3", "h3R", "new", "overdue", ""),
        ("p4", "h4L", "new", IN, ""),
        ("p4", "h4R", "old", IN, ""),
        ("p5", "h5L", "old", "excused", "revision"),
        ("p5", "h5R", "old", f"{IN}, early", ""),
        ("p6", "h6", "old", "not yet due", ""),
        ("p7", None, None, "not yet due", "no operation"),
    )
