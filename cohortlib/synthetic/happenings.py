"""What may happen to somebody in the invented study, and how it is judged; without a source."""

from __future__ import annotations

from typing import NamedTuple

#: The columns of a judgement, in the order in which it is written below.
JUDGED = ("seriousness", "device_relation", "procedure_relation", "expectedness")
Judgement = tuple[str, str, str, str]

_UNRELATED = ("not related", "not related", "not expected")


class Happening(NamedTuple):
    """An event: of a hip or of the patient, on which days from the operation, and for how many it lasts."""

    event: str
    description: str
    of_hip: bool
    days: tuple[int, int]
    judged: Judgement | None  # None = not judged yet
    lasts_days: tuple[int, int] | None = None  # None = not over yet


HAPPENINGS = (
    Happening(
        "device deficiency",
        "package of the cup torn; another cup was taken",
        True,
        (0, 0),
        ("not serious", "causal", "not related", "not expected"),
        (0, 0),
    ),
    Happening(
        "reoperation",
        "wound washed out, implants kept",
        True,
        (9, 20),
        ("serious", "not related", "causal", "expected"),
        (14, 28),
    ),
    Happening(
        "adverse event",
        "skin of the wound infected, healed with tablets",
        True,
        (7, 21),
        ("not serious", "not related", "causal", "expected"),
        (10, 21),
    ),
    Happening(
        "adverse event",
        "clot in a vein of the calf",
        True,
        (5, 30),
        ("serious", "not related", "probable", "expected"),
        (60, 120),
    ),
    Happening(
        "adverse event",
        "numb skin beside the scar",
        True,
        (30, 60),
        ("not serious", "not related", "causal", "expected"),
    ),
    Happening(
        "adverse event",
        "pain over the greater trochanter",
        True,
        (90, 240),
        ("not serious", "possible", "possible", "expected"),
        (40, 150),
    ),
    Happening(
        "adverse event",
        "clicking without pain",
        True,
        (90, 300),
        ("not serious", "probable", "not related", "expected"),
    ),
    Happening(
        "adverse event",
        "fall at home, wrist broken",
        False,
        (150, 380),
        ("not serious", *_UNRELATED),
        (40, 60),
    ),
    Happening(
        "adverse event", "pneumonia, in hospital", False, (60, 380), ("serious", *_UNRELATED), (14, 30)
    ),
)
#: Told in the last days before the data cut, so nobody has judged it; its days are counted back from there.
LATEST = Happening("adverse event", "pain in the groin on stairs", True, (5, 9), None)

REVISED: Judgement = ("serious", "probable", "possible", "expected")
REVISED_BECAUSE = {
    "resurfacing": "femoral component loose; stem and head put in, cup kept",
    "short_stem": "stem loose; longer stem put in, cup kept",
}
#: Why a patient left, and how that is judged: to withdraw is nothing that harms.
LEFT_BECAUSE: dict[str, tuple[str, Judgement | None]] = {
    "withdrawal": ("does not want to come any more", None),
    "death": ("heart attack", ("serious", *_UNRELATED)),
}
LOST_BECAUSE = "moved; letters come back"
