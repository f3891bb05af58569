"""The marking pad in JupyterLab, with a real browser: mouse, keys, zoom, grading, reload, a killed kernel."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from lab_server import LabServer
from pad_sittings import HIDDEN, RING, reading_store

from cohortlib.readings import open_readings

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (pip)")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium to open the pad in (Debian: apt-get install chromium)"
)
#: The machine may be busy; whoever waits, waits for something to be there.
PATIENCE_S = 60
CELL = """
from pad_sittings import a_head, boxes, pad_at
from cohortlib.readings import open_readings
plan = {{"stem_tip": 1, "head_edge": 2}}
asked = {{"plan": plan, "zone_systems": ["cup_3"], "scales": ["ossification"]}}
pad = pad_at(open_readings("{folder}"), **asked, zones_of=boxes, proposals_of=a_head)
pad
"""


class Desk:
    """The page with the pad, its film, and the store behind it."""

    def __init__(self, page, lab: LabServer, folder: Path) -> None:
        self.page, self.lab, self.folder = page, lab, folder
        self.pad = page.locator(".marking-pad")
        self.film = self.pad.locator("canvas.film")
        self.asked = self.pad.locator(".asked")
        self.saved = self.pad.locator(".saved")

    def open(self) -> None:
        """Run the notebook; the film is there when its readout says where the pointer is."""
        self.page.locator(".jp-Notebook-ExecutionIndicator[data-status=idle]").wait_for()
        self.page.locator(".jp-CodeCell .cm-content").first.click()
        self.page.get_by_role("menuitem", name="Run", exact=True).click()
        self.page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
        self.pad.wait_for()
        self.pad.scroll_into_view_if_needed()
        sync_api.expect(self.pad).to_have_attribute("data-film", re.compile("shown"))

    def place(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Where a film place is on the screen, found by asking the readout at two others."""
        box = self.film.bounding_box()
        found = []
        for share in (0.45, 0.55):
            at = (box["x"] + share * box["width"], box["y"] + share * box["height"])
            self.page.mouse.move(*at)
            # The readout follows with the next frame.
            self.page.evaluate(
                "() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))"
            )
            words = self.pad.locator(".readout").inner_text()
            found.append((at, [float(number) for number in re.findall(r"-?\d+\.\d", words)[:2]]))
        (at, film), (other, also) = found
        steps = [(other[k] - at[k]) / (also[k] - film[k]) for k in (0, 1)]
        return at[0] + (x_px - film[0]) * steps[0], at[1] + (y_px - film[1]) * steps[1]

    def click(self, x_px: float, y_px: float) -> None:
        self.page.mouse.click(*self.place(x_px, y_px))
        self.until_saved()

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
        self.until_saved()

    def until_saved(self) -> None:
        sync_api.expect(self.saved).to_have_attribute("data-state", "saved")

    def stored(self, table: str) -> pd.DataFrame:
        """What another program finds in the store."""
        with open_readings(self.folder, write=False) as store:
            return getattr(store, table)()


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("reading")
    reading_store(folder, sides="left", task="marks, gradings and grades").close()
    lab = LabServer(tmp_path_factory.mktemp("lab"))
    try:
        lab.write_notebook(CELL.format(folder=folder))
        lab.wait(seconds=PATIENCE_S)
        with sync_api.sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1400, "height": 1000})
            page.set_default_timeout(1000 * PATIENCE_S)
            sync_api.expect.set_options(timeout=1000 * PATIENCE_S)
            page.on("dialog", lambda dialog: dialog.accept())
            page.goto(lab.address)
            made = Desk(page, lab, folder)
            made.open()
            yield made
            browser.close()
    finally:
        lab.stop()


# By hand: one film after another, in this order -----------------------------------------------------


def test_the_page_knows_nothing_of_the_patient(desk: Desk) -> None:
    told = desk.pad.evaluate("pad => pad.outerHTML")
    assert not [word for word in HIDDEN if word in told]
    asked = desk.page.evaluate("() => performance.getEntriesByType('resource').map((one) => one.name)")
    assert {re.sub(r":\d+/.*", "", name) for name in asked if not name.startswith("blob:")} <= {
        "http://127.0.0.1"
    }


def test_marks_by_mouse_and_by_keys(desk: Desk) -> None:
    sync_api.expect(desk.asked).to_contain_text("left stem tip")
    desk.click(120, 150)
    sync_api.expect(desk.asked).to_contain_text("left head edge, 1 of 2")
    desk.press("ArrowRight", "ArrowDown", "ArrowDown", "Enter")  # from the middle of the film
    sync_api.expect(desk.asked).to_contain_text("left head edge, 2 of 2")
    marks = desk.stored("marks")
    assert marks["landmark"].tolist() == ["stem_tip", "head_edge"]
    assert marks.loc[0, ["x_px", "y_px"]].tolist() == pytest.approx([120, 150], abs=1)
    assert marks.loc[1, ["x_px", "y_px"]].tolist() == pytest.approx([101, 122], abs=1)
    before = marks["x_px"].tolist()
    desk.press("n")  # the tip of the stem
    desk.page.keyboard.press("ArrowLeft")
    desk.page.keyboard.press("Shift+ArrowLeft")
    desk.press("Escape")  # lets it go, and with it stores where it lies
    assert desk.stored("marks")["x_px"].tolist() == pytest.approx([before[1], before[0] - 21])


def test_undo_after_a_drag_while_zoomed(desk: Desk) -> None:
    before = desk.stored("marks").set_index("landmark")[["x_px", "y_px"]]
    desk.page.mouse.move(*desk.place(100, 120))
    desk.page.mouse.wheel(0, -400)
    at = before.loc["head_edge"]
    desk.page.mouse.move(*desk.place(*at))
    desk.page.mouse.down()
    box = desk.film.bounding_box()
    desk.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.7, steps=4)
    desk.page.mouse.up()
    desk.until_saved()
    moved = desk.stored("marks").set_index("landmark")[["x_px", "y_px"]]
    assert moved.loc["head_edge", "y_px"] > at["y_px"] + 3
    desk.press("Control+z")
    assert desk.stored("marks").set_index("landmark").loc["head_edge", "y_px"] == at["y_px"]
    assert desk.stored("mark_history")["reason"].tolist()[-1] == "undo"
    desk.press("0")


def test_zones_by_key_by_button_and_by_click(desk: Desk) -> None:
    desk.click(60, 60)
    sync_api.expect(desk.asked).to_contain_text("left cup zone 1")
    desk.press("2")
    sync_api.expect(desk.asked).to_contain_text("left cup zone 2")
    desk.click(126, 75)  # inside zone 3
    sync_api.expect(desk.asked).to_contain_text("left cup zone 3")
    desk.pad.get_by_role("button", name="left cup zone 3: not assessable").click()
    desk.until_saved()
    width = desk.pad.get_by_role("spinbutton", name="left cup zone 1: greatest width, mm")
    width.fill("1.5")
    width.press("Tab")
    desk.until_saved()
    grades = desk.stored("gradings").sort_values("zone")
    assert grades[["zone", "state"]].to_numpy().tolist() == [["1", "incomplete"], ["3", "not assessable"]]
    assert grades["width_mm"].iloc[0] == 1.5


def test_a_scale_by_key_and_by_button(desk: Desk) -> None:
    name = "left hip: bone beside the hip joint"
    desk.pad.get_by_role("button", name=name, exact=True).click()
    desk.until_saved()
    sync_api.expect(desk.asked).to_contain_text(name)
    desk.press("0", "1")  # the whole film, and a zone that is not asked for: no grade
    assert desk.stored("grades").empty
    desk.press("d")
    assert desk.stored("grades")[["side", "scale", "part", "grade"]].to_numpy().tolist() == [
        ["left", "ossification", "whole", "3"]
    ]
    sync_api.expect(desk.asked).to_contain_text("left cup zone 2")
    desk.pad.get_by_role("button", name=f"{name}: islands of bone in the soft tissue").click()
    desk.until_saved()
    assert desk.stored("grades")["grade"].tolist() == ["1"]
    desk.press("Control+z")
    assert desk.stored("grade_history")["grade"].tolist() == ["3", "1", "3"]


def test_everything_is_there_after_a_reload(desk: Desk) -> None:
    marks, grades, on_scales = desk.stored("marks"), desk.stored("gradings"), desk.stored("grades")
    desk.page.reload()
    desk.open()
    sync_api.expect(desk.asked).to_contain_text("left cup zone 2")
    sync_api.expect(desk.pad.get_by_role("button", name="left head edge: 2 of 2 marked")).to_be_visible()
    pressed = desk.pad.get_by_role("button", name="left cup zone 3: not assessable")
    sync_api.expect(pressed).to_have_attribute("aria-pressed", "true")
    pd.testing.assert_frame_equal(desk.stored("marks"), marks)
    pd.testing.assert_frame_equal(desk.stored("gradings"), grades)
    pd.testing.assert_frame_equal(desk.stored("grades"), on_scales)
    pressed = desk.pad.get_by_role("button", name=re.compile("left hip: bone .*: spurs .* less than 10 mm"))
    sync_api.expect(pressed).to_have_attribute("aria-pressed", "true")


def test_a_film_is_not_left_unfinished_without_a_word(desk: Desk) -> None:
    desk.film.hover()
    desk.pad.locator(".stage").focus()
    desk.page.keyboard.press("PageDown")
    why = desk.pad.get_by_role("textbox", name="Why it is missing")
    sync_api.expect(desk.pad.locator(".remark")).to_contain_text("left cup zone 2")
    why.fill("covered by the stem")
    why.press("Enter")
    sync_api.expect(desk.pad.locator(".place")).to_contain_text("Film 2 of 3")
    finished = desk.stored("events").query("what == 'item finished'")
    assert "covered by the stem" in finished["details"].iloc[0]
    desk.until_saved()


def test_a_proposal_is_shown_and_stored_only_when_taken(desk: Desk) -> None:
    desk.pad.get_by_role("button", name="left head edge: 0 of 2 marked").click()
    desk.until_saved()
    before = len(desk.stored("marks"))
    desk.pad.locator(".stage").focus()
    desk.press("s")
    sync_api.expect(desk.pad.locator(".proposal")).to_contain_text(
        "confidence 0.72: little of the dome is seen"
    )
    assert len(desk.stored("marks")) == before
    desk.press("t")
    taken = desk.stored("marks").iloc[before:]
    assert taken["reason"].tolist() == ["proposal taken by the reader"] * 2
    assert taken[["x_px", "y_px"]].to_numpy() == pytest.approx(RING[[0, 4]], abs=0.01)
    desk.press("Control+z", "Control+z")
    assert len(desk.stored("marks")) == before


def test_a_killed_kernel_loses_no_mark_and_is_named(desk: Desk) -> None:
    desk.click(100, 100)
    there = desk.stored("marks")
    assert there["landmark"].tolist()[-1] == "stem_tip"
    at = desk.place(50, 50)
    desk.lab.kill_kernels()
    desk.page.mouse.click(*at)
    sync_api.expect(desk.saved).to_contain_text("NOT SAVED")
    pd.testing.assert_frame_equal(desk.stored("marks"), there)
