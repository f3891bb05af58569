"""What identifies in a table, a workbook or a notebook, case by case, without a folder around it."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from private_files import IMAGE, PNG, TEXT, notebook

from cohortlib.commands.private_notebooks import notebook_problems
from cohortlib.commands.private_tables import table_problems
from cohortlib.commands.private_workbooks import workbook_problems

# by law: case by case


@pytest.mark.parametrize(
    "column",
    [
        *("PatientName", "patient name", "LAST_NAME", "Vorname", "Geburtsdatum", "dob", "x_dob", "birthDate"),
        *("E-Mail", "MRN", "Hospital number", "Date_of_birth", "x_surname", "Prenom"),
    ],
)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_columns_that_identify_anywhere(column: str, separator: str) -> None:
    data = f"quantity{separator}{column}\nx{separator}y\n".encode()
    problems = table_problems(data, name="t.csv", in_study=False, born={})
    assert [row["column"] for row in problems] == [column]


@pytest.mark.parametrize("column", ["name", "address", "city", "initials"])
def test_columns_that_identify_among_patients_only(column: str) -> None:
    for header, count in (("patient_id", 1), ("hip_id", 1), ("quantity", 0)):
        data = f"{header},{column}\nx,y\n".encode()
        assert len(table_problems(data, name="t.csv", in_study=False, born={})) == count
        assert len(table_problems(data, name="t.csv", in_study=True, born={})) == 1


@pytest.mark.parametrize(
    "column", ["patient_id", "surgeon_id", "device", "birth_year", "path", "landmark", "date"]
)
def test_columns_of_a_study_identify_nobody(column: str) -> None:
    assert table_problems(f"patient_id,{column}\nP1,x\n".encode(), name="t", in_study=True, born={}) == []


@pytest.mark.parametrize(
    ("cell", "wrong"),
    [
        ("1970-04-23", True),
        ("23.04.1970", True),
        ("4/23/1970", True),
        ("19700423", True),
        ("1970-04-23T10:00:00Z", True),
        ("1970", False),
        ("1971-04-23", False),
        ("2030-04-23", False),
        ("someone@example.org", True),
        ("a @ b", False),
    ],
)
def test_cells_that_identify(cell: str, wrong: bool) -> None:
    data = f"patient_id,x_note\nP01,{cell}\nP01\n".encode()
    assert len(table_problems(data, name="t", in_study=True, born={"P01": "1970"})) == wrong


def studies(path: str) -> bool | None:
    known = {"invented": True, "real": False}
    return known.get(path.split("/")[0])


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ('read_study("../invented")', False),
        ('read_study(r"../invented/")', False),
        ('%matplotlib inline\nread_study("../invented")', False),
        ('copytree("../invented/tables", copy)\nread_study(copy)', False),
        ('read_study("../invented")\naxes.set_ylabel("~5 deg / year")', False),
        ('read_study("../real")', True),
        ('read_study("../invented")\nread_study("../real")', True),
        ('folder = "../real"\nread_study("../invented")\nread_study(folder)', True),
        ('read_study("../invented")\nread_radiograph("../real/images/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("/data/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("~/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("C:/1.dcm")', True),
        ('read_study("../invented")\nfetch("https://archive.example/1")', True),
        ("read_study(path)", True),
        ("plot()", True),
        ('read_study("../nowhere")', True),
        ('%magic\nread_study("../invented")\nopen("/data/1.dcm")', True),
    ],
)
def test_whose_images_a_notebook_shows(source: str, wrong: bool) -> None:
    path = "notebooks/n.ipynb"
    assert len(notebook_problems(notebook(source, IMAGE), name="n", path=path, invented=studies)) == wrong
    assert notebook_problems(notebook(source, TEXT), name="n", path=path, invented=studies) == []


@pytest.mark.parametrize(
    "output",
    [
        IMAGE,
        {"output_type": "execute_result", "data": {"image/svg+xml": ["<svg", "/>"]}},
        {"output_type": "display_data", "data": {"text/html": ["<p>", "<img src='x'>"]}},
        {"output_type": "display_data", "data": {"text/html": f"<i style='x:url(data:image/png;{PNG})'>"}},
        {"output_type": "display_data", "data": {"text/markdown": f"![x](data:image/png;base64,{PNG})"}},
    ],
)
def test_outputs_that_are_images(output: object) -> None:
    problems = notebook_problems(notebook("", output), name="n", path="n.ipynb", invented=studies)
    assert [row["found"] for row in problems] == ["1 images, not known to be of an invented study"]


def test_attached_images_count() -> None:
    data = notebook("", attachments={"a.png": {"image/png": PNG}}, cell_type="markdown")
    assert len(notebook_problems(data, name="n", path="n.ipynb", invented=studies)) == 1


def test_the_state_of_controls_is_never_shared() -> None:
    state = {"application/vnd.jupyter.widget-state+json": {"state": {}}}
    source = 'read_study("invented")'
    for data, column in (
        (notebook(source, metadata={"widgets": state}), "metadata.widgets"),
        (notebook(source, {"output_type": "display_data", "data": state}), "outputs"),
    ):
        problems = notebook_problems(data, name="n", path="n.ipynb", invented=studies)
        assert [row["column"] for row in problems] == [column]


# by failure


TEXTS = st.text(max_size=300).map(lambda text: text.encode("utf-8", "replace"))


@settings(max_examples=150, deadline=None)
@given(data=st.one_of(st.binary(max_size=300), TEXTS))
def test_any_bytes_are_a_table_or_a_notebook(data: bytes) -> None:
    for problems in (
        table_problems(data, name="t.csv", in_study=True, born={"P1": "1970"}),
        workbook_problems(data, name="t.xlsx", in_study=True, born={"P1": "1970"}),
        notebook_problems(data, name="n.ipynb", path="n.ipynb", invented=studies),
    ):
        assert isinstance(problems, list)


@pytest.mark.parametrize("data", [b"", b"[]", b"{", b'{"cells": 7}', b'{"cells": [7]}', b"[" * 100_000])
def test_a_notebook_that_cannot_be_read_is_not_shared(data: bytes) -> None:
    problems = notebook_problems(data, name="n", path="n.ipynb", invented=studies)
    assert [row["found"] for row in problems] == ["a notebook that cannot be read"]


def test_a_workbook_that_stands_for_more_than_it_holds() -> None:
    stream, hostile = io.BytesIO(), io.BytesIO()
    openpyxl.Workbook().save(stream)
    with zipfile.ZipFile(stream) as sound, zipfile.ZipFile(hostile, "w") as changed:
        for name in sound.namelist():
            content = sound.read(name)
            if name.endswith("sheet1.xml"):
                content = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaa">]>' + content
            changed.writestr(name, content)
    for data, count in ((stream.getvalue(), 0), (hostile.getvalue(), 1)):
        assert len(workbook_problems(data, name="t.xlsx", in_study=True, born={})) == count
