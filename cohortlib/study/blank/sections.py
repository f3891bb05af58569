"""The sections of an empty study.toml: what each is for, what is left blank, and examples of the rest."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from cohortlib.tables import DICTIONARY


class Section(NamedTuple):
    """One section.

    Attributes
    ----------
    name
        As study.toml calls it; "" is the top of the file, a name with a dot a section within a section.
    why
        What it is for, a paragraph a text.
    blanks
        Keys that only the study can fill in; with them the section is to be used.
    entries
        How often the section stands there.
    examples
        Key → TOML; keys that are neither blank nor here have an example of their kind.
    """

    name: str
    why: tuple[str, ...]
    blanks: tuple[str, ...] = ()
    entries: int = 1
    examples: Mapping[str, str] = MappingProxyType({})


_EXAMINATIONS = ", ".join((*DICTIONARY["images"]["kind"].allowed, "blood", "gait"))

SECTIONS = (
    Section(
        "",
        ("The study.",),
        blanks=("title", "comparator"),
        examples={"data_cut": "2031-06-30", "synthetic": "true"},
    ),
    Section(
        "arms",
        ("The arms: [[arms]] once for each. `arm` is the short name that stands in tables/hips.csv.",),
        blanks=("arm", "label"),
        entries=2,
    ),
    Section(
        "visits",
        (
            "The visits: [[visits]] once for each, in their order; add as many as the protocol has. Days are "
            "counted from the operation, so a visit before it has negative ones. A visit outside its window "
            'is kept and labelled. For example: visit_id = "month_12", label = "12 months", due_days = 365, '
            "earliest_days = 300, latest_days = 450.",
            "`examinations` says what is expected at a visit besides the patient: any of "
            f"{_EXAMINATIONS}, and the instruments below by their short names. Left out, it is all the "
            "instruments; [] is nothing.",
        ),
        blanks=("visit_id", "label", "due_days", "earliest_days", "latest_days"),
        entries=2,
        examples={"examinations": '["radiograph", "blood"]'},
    ),
    Section(
        "instruments",
        (
            "The questionnaires: [[instruments]] once for each, or none at all. `lowest`, `highest` and "
            "`direction` are those of one answer as tables/answers.csv codes it: compare them with a form. "
            'For example: instrument = "oxford_hip_score", label = "Oxford Hip Score", items = 12, lowest = '
            '0, highest = 4, direction = "high is good". Scores only: the wording of the questions is '
            "licensed and does not belong here.",
        ),
        blanks=("instrument", "label", "items", "lowest", "highest", "direction"),
        examples={"direction_confirmed": "true"},
    ),
    Section(
        "endpoint",
        (
            "The one primary endpoint: an instrument, or a quantity measured on images (then take "
            "`instrument` out). A margin stands here with its reason and its date before data are looked at.",
        ),
        blanks=("instrument", "visit_id"),
        examples={
            "quantity": '"inclination"',
            "margin": "2.5",
            "margin_rationale": '"why this is small enough"',
            "margin_fixed_on": "2029-11-30",
            "population": '"intention to treat"',
        },
    ),
    Section(
        "thresholds",
        (
            "Limits that figures draw and reports count against: [[thresholds]] once for each, with its "
            "source. A limit holds for the definition it was published in.",
        ),
        examples={
            "threshold": '"cup zone"',
            "quantity": '"inclination"',
            "lower": "30",
            "upper": "50",
            "unit": '"deg"',
            "definition": '"radiographic"',
            "time_point": '"12 months"',
            "derivation": '"how it was worked out"',
            "source": '"author, journal, year and page"',
        },
    ),
    Section(
        "readings",
        (
            "How images are read: who reads, which part is shown twice and after how long, who decides "
            "where two differ. The password of a database does not belong in this file.",
        ),
        examples={
            "url": '"postgresql+pg8000://reader@localhost/readings"',
            "readers": '["R1", "R2"]',
            "adjudicator": '"R3"',
            "repeat_share": "0.15",
            "washout_days": "14",
            "seed": "20310630",
        },
    ),
    Section(
        "discrepancies",
        (
            "Where two readers differ too much: [[discrepancies]] once for each quantity. An image with a "
            "greater difference goes to the adjudicator.",
        ),
        examples={"quantity": '"inclination"', "limit": "5", "unit": '"deg"'},
    ),
    Section(
        "bone_density",
        (
            "How bone density is judged. Changes count from the scan at the visit `baseline`, the first "
            "after the operation; a later one never takes its place. Zones named here before data are "
            "looked at come first, all others are exploratory. The precision error follows from hips that "
            "were scanned twice at one visit; where there are none yet, name a published one.",
        ),
        examples={
            "baseline": '"month_12"',
            "zone_system": '"stem_7"',
            "zones": '["7", "1"]',
            "published_precision": "0.05",
            "published_source": '"author, journal, year and page"',
        },
    ),
    Section(
        "calibrations",
        (
            "One scanner or mode in units of another: [[calibrations]] once for each that was replaced. "
            "Without it their values are not compared.",
        ),
        examples={
            "from_scanner": '"DXA-2"',
            "from_mode": '"metal 2.1"',
            "to_scanner": '"DXA-1"',
            "to_mode": '"metal 2.1"',
            "slope": "0.97",
            "offset": "0.01",
            "source": '"phantom, twenty scans on each, January 2030"',
        },
    ),
    Section(
        "files",
        (
            "How the tables are written, if not as UTF-8 with commas between the fields, decimal points and "
            "dates such as 2031-06-30. A spreadsheet set to a language with decimal commas writes "
            'separator = ";" and decimal = ",". With dates = "day first" 03.06.2031 is the third of June.',
        ),
        examples={
            "encoding": '"windows-1252"',
            "separator": '";"',
            "decimal": '","',
            "dates": '"day first"',
            "workbook": '"export.xlsx"',
            "other_sheets": '["Notes"]',
        },
    ),
    Section(
        "columns.hips",
        (
            "Headings of an export that differ from the dictionary, table by table: heading = column. "
            'With "" a column is left out; names that begin with x_ are kept as columns of your own.',
        ),
        examples={'"Date of surgery"': '"surgery_date"', '"Room"': '"x_room"', '"Remarks"': '""'},
    ),
    Section(
        "spellings.side",
        ("Other spellings of choices, column by column: what stands in the file = the choice.",),
        examples={'"L"': '"left"', '"R"': '"right"'},
    ),
    Section(
        "sheets",
        ("Sheets of the workbook whose names are not those of the tables: table = sheet.",),
        examples={"patients": '"Persons"'},
    ),
    Section(
        "wide",
        (
            "Tables whose rows stand side by side, such as a form with a column for each question: [[wide]] "
            "once for each. Here tables/hip_score.csv has the columns OHS_1, OHS_2 and so on.",
        ),
        examples={
            "table": '"answers"',
            "source": '"hip_score"',
            "values": '{ answer = "OHS_{item}" }',
            "fixed": '{ instrument = "oxford_hip_score" }',
        },
    ),
)
