"""A small valid study folder, as plain text."""

from __future__ import annotations

import textwrap

SMALL_STUDY = {
    "study.toml": """\
        title = "Small made-up study"
        synthetic = true
        comparator = "short_stem"
        data_cut = 2032-12-31

        [[arms]]
        arm = "resurfacing"
        label = "Resurfacing"

        [[arms]]
        arm = "short_stem"
        label = "Short stem"

        [[visits]]
        visit_id = "before"
        label = "Before"
        due_days = -30
        earliest_days = -180
        latest_days = 0

        [[visits]]
        visit_id = "week_6"
        label = "6 weeks"
        due_days = 42
        earliest_days = 28
        latest_days = 70

        [[visits]]
        visit_id = "month_12"
        label = "12 months"
        due_days = 365
        earliest_days = 300
        latest_days = 450

        [[instruments]]
        instrument = "oxford_hip_score"
        label = "Oxford Hip Score"
        items = 12
        lowest = 0
        highest = 4
        direction = "high is good"

        [endpoint]
        instrument = "oxford_hip_score"
        visit_id = "month_12"

        [[thresholds]]
        threshold = "cup zone"
        quantity = "inclination"
        lower = 30
        upper = 50
        unit = "deg"
        source = "made up for the tests"
        """,
    # P02 has two study hips, operated 100 days apart; P03's visit at 12 months is outside its window.
    "tables/patients.csv": """\
        patient_id,sex,birth_year,height_cm,mass_kg
        P01,female,1970,165,70.5
        P02,male,1965,180,
        P03,female,1980,,
        """,
    "tables/hips.csv": """\
        hip_id,patient_id,side,arm,device,surgery_date,surgeon_id,head_diameter_mm,cup_diameter_mm
        H01,P01,left,resurfacing,Cup A,2030-01-10,S1,48,54
        H02,P02,left,short_stem,Stem B,2030-02-01,S1,36,52
        H03,P02,right,short_stem,Stem B,2030-05-12,S2,36,52
        H04,P03,right,resurfacing,Cup A,2030-03-15,,46,
        """,
    "tables/visits.csv": """\
        patient_id,visit_id,date
        P01,before,2030-01-02
        P01,week_6,2030-02-21
        P01,month_12,2031-01-10
        P02,before,2030-01-20
        P02,week_6,2030-03-15
        P03,before,2030-03-15
        P03,month_12,2031-09-01
        """,
    "tables/images.csv": """\
        image_id,patient_id,visit_id,kind,view,position,path
        I01,P01,week_6,radiograph,AP pelvis,supine,images/I01.dcm
        I02,P01,month_12,radiograph,AP pelvis,standing,images/I02.dcm
        I03,P02,week_6,radiograph,AP hip,,images/P02/I03.dcm
        """,
    "tables/landmarks.csv": """\
        image_id,reader_id,repeat,landmark,side,x_px,y_px,marked_at
        I01,R1,1,teardrop,left,512.25,800,2031-02-01T09:00:00Z
        I01,R1,1,teardrop,right,300.5,801.5,2031-02-01T09:00:05Z
        I01,R1,1,head_edge,left,520,780,2031-02-01T09:01:00Z
        """,
    "tables/answers.csv": """\
        patient_id,visit_id,instrument,item,answer
        P01,before,oxford_hip_score,1,1
        P01,before,oxford_hip_score,2,0
        P01,month_12,oxford_hip_score,1,4
        P01,month_12,oxford_hip_score,2,
        """,
}


def small_study_text(name: str) -> str:
    """One file of the small study as it stands in the folder."""
    return textwrap.dedent(SMALL_STUDY[name])
