"""An archive that answers as no archive should: nothing wrong is written, and every failure is named."""

import datetime
import http.server
import json
import threading
from typing import ClassVar

import pytest
from hospital_files import hospital_film, uid

from cohortlib.dicom.archive import fetch_images
from cohortlib.errors import StudyError

DAYS = [datetime.date(2031, 3, 9) + datetime.timedelta(days=step) for step in (0, 42, 365)]


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# by failure


class Archive(http.server.BaseHTTPRequestHandler):
    """Answers with what the test put into `answers`: path ending → (status, headers, body)."""

    protocol_version = "HTTP/1.1"
    answers: ClassVar[dict] = {}

    def do_GET(self):
        path = self.path.split("?")[0]
        offset = int((self.path + "&offset=0").split("offset=")[1].split("&")[0])
        for ending, (status, headers, body) in self.answers.items():
            if path.endswith(ending):
                if offset and not headers.get("X-Again"):
                    body = b"[]"
                self.send_response(status)
                for name, value in {"Content-Length": str(len(body)), **headers}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(body)
                self.close_connection = True
                return
        self.send_error(404)

    def log_message(self, *_):
        pass


@pytest.fixture
def false_archive():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Archive)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    Archive.answers = {}
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
    thread.join()


FILM = hospital_film(DAYS[0], hospital_id="KH-2", name="Ander^B")
UIDS = {
    "0020000D": uid("study", "KH-2", DAYS[0]),
    "0020000E": uid("series", "KH-2", DAYS[0]),
    "00080018": uid("image", "KH-2", DAYS[0], 1),
    "00100020": "KH-2",
    "00080060": "DX",
    "00080020": "20310309",
}
JSON = {"Content-Type": "application/dicom+json"}
PARTS = {"Content-Type": 'multipart/related; type="application/dicom"; boundary=x'}


def found_json(**changes):
    values = {**UIDS, **{f"{tag}": value for tag, value in changes.items()}}
    return json.dumps([{tag: {"vr": "LO", "Value": [value]} for tag, value in values.items()}]).encode()


def multipart(content):
    return b"\r\n--x\r\nContent-Type: application/dicom\r\n\r\n" + content + b"\r\n--x--\r\n"


def answers(image, headers=None, status=200, **changes):
    found = (200, JSON, found_json(**changes))
    instance = changes.get("00080018", UIDS["00080018"])
    return {
        f"/instances/{instance}": (status, headers or PARTS, image),
        "/instances": found,
        "/series": found,
        "/studies": found,
    }


def test_the_false_archive_can_be_true(false_archive, tmp_path):
    Archive.answers = answers(multipart(FILM))
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert found["outcome"].tolist() == ["fetched"]
    assert (tmp_path / found["path"].item()).read_bytes() == FILM


def test_a_single_image_without_parts_is_taken_too(false_archive, tmp_path):
    Archive.answers = answers(FILM, {"Content-Type": "application/dicom"})
    assert fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])["outcome"].tolist() == ["fetched"]


def test_an_archive_that_names_fewer_images_than_it_counts(false_archive, tmp_path):
    # one that does not know pages gives its first fifty again and again
    Archive.answers = answers(multipart(FILM), **{"00201209": 3})
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert found["outcome"].tolist() == ["none", "fetched"]
    assert "counts more images of this series than it names" in found["problem"][0]
    Archive.answers = answers(multipart(FILM), **{"00201209": 1})
    assert fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])["outcome"].tolist() == ["kept"]


WRONG = {
    "another image": (
        multipart(hospital_film(hospital_id="KH-2", image="9")),
        {},
        "another SOP Instance UID",
    ),
    "another patient": (
        multipart(FILM.replace(b"LO\x04\0KH-2", b"LO\x04\0KH-9")),
        {},
        r"another Patient ID \(0010,0020\)",
    ),
    "cut image": (multipart(FILM[:-300]), {}, "cut short"),
    "cut header": (multipart(FILM[:900]), {}, "another|cut short"),
    "no DICOM": (multipart(b"<html>please log in</html>"), {}, "cannot be understood"),
    "cut answer": (multipart(FILM)[:-40], {"Content-Length": str(len(multipart(FILM)))}, "no connection"),
    "page": (b"<html></html>", {"Content-Type": "text/html"}, "cannot be understood"),
    "nothing": (b"", {}, "cannot be understood"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_image_is_not_written(false_archive, tmp_path, name):
    image, headers, reason = WRONG[name]
    Archive.answers = answers(image, {**PARTS, **headers})
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert found["outcome"].tolist() == ["failed"]
    assert found["problem"].str.contains(reason).all(), found["problem"].item()
    assert files(tmp_path) == {}


def test_an_image_larger_than_any_is_not_read_to_its_end(false_archive, tmp_path, monkeypatch):
    monkeypatch.setattr("cohortlib.dicom.archive.connection.LARGEST_FILE_BYTES", 2000)
    Archive.answers = answers(multipart(FILM))
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert "larger than any image" in found["problem"].item()
    assert files(tmp_path) == {}


@pytest.mark.parametrize("status", [401, 403, 404, 500])
def test_an_archive_that_refuses_an_image(false_archive, tmp_path, status):
    Archive.answers = answers(b"", status=status)
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert found["problem"].str.contains(rf"refuses an image \(status {status}\)").all()


def test_a_redirection_is_not_followed(false_archive, tmp_path):
    Archive.answers = {"/studies": (302, {"Location": "http://archive.example/studies"}, b"")}
    with pytest.raises(StudyError, match="points to another address"):
        fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])


@pytest.mark.parametrize(
    "body",
    [b"{", b"[1, 2]", b'[{"0020000D": 7}]', b'[{"0020000D": {"Value": ["../../x"]}}]', b"[{}]", b'"x"'],
)
def test_a_search_that_is_answered_with_nonsense(false_archive, tmp_path, body):
    Archive.answers = {"/studies": (200, JSON, body)}
    with pytest.raises(StudyError, match="archive: found an answer"):
        fetch_images(false_archive, into=tmp_path / "inbox", modalities=["DX"])


@pytest.mark.parametrize("value", ["../../../etc", "1.2.3/../..", "1.2\n3", "9" * 65, ""])
def test_hostile_identifiers_never_become_a_path(false_archive, tmp_path, value):
    inbox = tmp_path / "inbox"
    Archive.answers = answers(multipart(FILM), **{"00080018": value})
    with pytest.raises(StudyError, match="an answer without a UID"):
        fetch_images(false_archive, into=inbox, modalities=["DX"])
    assert files(tmp_path) == {}


def test_hostile_texts_never_become_a_path(false_archive, tmp_path):
    hostile = {"00100020": "../../KH", "00080020": "../../..", "00080060": "DX/../.."}
    Archive.answers = answers(multipart(FILM), **hostile)
    found = fetch_images(false_archive, into=tmp_path / "inbox", dates=(DAYS[0], DAYS[0]))
    assert found["outcome"].tolist() == ["failed"]
    assert found["path"].str.fullmatch(r"id_\w{16}/undated/\w{16}/\w{24}\.dcm").all()
    assert files(tmp_path) == {}


def test_images_of_a_patient_who_was_not_asked_for_are_not_fetched(false_archive, tmp_path):
    Archive.answers = answers(multipart(FILM))
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-7"])
    assert found["outcome"].tolist() == ["none"]
    assert files(tmp_path) == {}


def test_an_archive_that_repeats_itself_comes_to_an_end(false_archive, tmp_path):
    again = {**JSON, "X-Again": "1"}
    Archive.answers = {
        ending: (status, again if ending.startswith(("/studies", "/series")) else headers, body)
        for ending, (status, headers, body) in answers(multipart(FILM)).items()
    }
    assert len(fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])) == 1


def test_after_several_failures_the_rest_is_not_tried(false_archive, tmp_path):
    values = [{**UIDS, "00080018": f"1.2.{n}"} for n in range(9)]
    images = json.dumps([{tag: {"Value": [value]} for tag, value in row.items()} for row in values]).encode()
    Archive.answers = answers(b"") | {"/instances": (200, JSON, images)}
    found = fetch_images(false_archive, into=tmp_path, patient_ids=["KH-2"])
    assert found["outcome"].tolist() == ["failed"] * 9
    assert found["problem"].str.startswith("not tried").tolist() == [False] * 5 + [True] * 4
