"""The marking pad in a real browser, in a real JupyterLab on this computer: by mouse and by keys."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from lab_server import LabServer
from pad_readings import new_store

from cohortlib.readings import open_readings
from cohortlib.readings.schema import OWN_ID

CHROMIUM = Path("/usr/bin/chromium")
playwright_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (pip install playwright)"
)
pytestmark = pytest.mark.skipif(
    not CHROMIUM.is_file(), reason="Chromium is not installed (Debian: apt-get install chromium)"
)

CELL = """
import sys
sys.path.insert(0, {tests!r})
from pad_readings import large_film, new_pad
from cohortlib.readings import open_readings
from cohortlib.widgets.pad import marked_zones

store = open_readings({store!r})
plan = {{"teardrop": 1, "head_edge": 3, "cup_rim": 2}}
pad = new_pad(store, film_of=large_film, plan=plan, zones_of=marked_zones)
pad
"""
#: How long a frame takes, 30 times, while the film is made larger and smaller [ms].
FRAMES = """async () => {
  const canvas = document.querySelector('.marking-pad canvas.film'), box = canvas.getBoundingClientRect();
  const at = (Kind, type, x, y, more) => canvas.dispatchEvent(new Kind(type,
    { clientX: box.left + x, clientY: box.top + y, bubbles: true, cancelable: true, ...more }));
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const times = [];
  for (let step = 0; step < 30; step++) {
    const start = performance.now();
    at(WheelEvent, 'wheel', 200 + step, 200, { deltaY: step < 15 ? -60 : 60 });
    at(PointerEvent, 'pointermove', 200 + 5 * step, 200 + 3 * step, {});
    await frame();
    times.push(performance.now() - start);
  }
  return times;
}"""


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[LabServer]:
    new_store(tmp_path).close()
    server = LabServer(tmp_path / "lab")
    try:
        tests = str(Path(__file__).parent)
        server.write_notebook(CELL.format(tests=tests, store=str(tmp_path / "readings.sqlite")))
        server.wait(seconds=40)
        yield server
    finally:
        server.stop()


@pytest.fixture
def page(lab: LabServer) -> Iterator[Any]:
    with playwright_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        opened = browser.new_page(viewport={"width": 1400, "height": 1000})
        opened.set_default_timeout(25_000)
        outside: list[str] = []
        opened.on("request", lambda asked: f"127.0.0.1:{lab.port}" in asked.url or outside.append(asked.url))
        faults: list[str] = []
        opened.on("pageerror", lambda fault: faults.append(str(fault)))
        yield opened
        browser.close()
        assert not [url for url in outside if not url.startswith(("data:", "blob:"))], "offline"
        assert not faults


def open_pad(page: Any, lab: LabServer) -> Any:
    """Open the notebook, run its cell, wait for the film; the pad."""
    page.goto(lab.address)
    page.locator(".jp-CodeCell .cm-content").first.click()
    page.wait_for_selector(".jp-Notebook-ExecutionIndicator[data-status=idle]", state="attached")
    page.keyboard.press("Shift+Enter")
    pad = page.locator(".marking-pad")
    pad.wait_for()
    pad.scroll_into_view_if_needed()
    page.wait_for_function(
        "document.querySelector('.marking-pad .stage').getAttribute('aria-busy') === 'false'"
    )
    return pad


def expect_words(pad: Any, selector: str, words: str) -> None:
    playwright_api.expect(pad.locator(selector)).to_contain_text(words)


def stored(folder: Path) -> dict[str, pd.DataFrame]:
    """Everything that stands in the store, as another program finds it."""
    with open_readings(folder / "readings.sqlite") as store:
        item = store.next_item("R1")["item_id"].iloc[0]
        return {
            content: rows[~rows[OWN_ID[content]].isin(rows["supersedes"]) & ~rows["withdrawn"].astype(bool)]
            for content, rows in store.item_history(item, reader_id="R1").items()
        }


def test_marks_by_mouse_and_keys_outlive_page_and_kernel(tmp_path: Path, page: Any, lab: LabServer) -> None:
    pad = open_pad(page, lab)
    expect_words(pad, ".asked", "right teardrop")
    stage = pad.locator(".stage")
    box = stage.bounding_box()

    # By mouse: a click is a mark; it is in the store when the pad says so.
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect_words(pad, ".asked", "right head edge, 1 of 3")
    expect_words(pad, ".saved", "All saved")
    [first] = stored(tmp_path)["marks"].to_dict("records")
    assert (first["landmark"], first["side"]) == ("teardrop", "right")
    assert first["x_px"] == pytest.approx(1249.5, abs=4)  # the middle of 2,500 columns
    assert first["y_px"] == pytest.approx(1499.5, abs=4)

    # The wheel enlarges about the cursor: a mark made there lies where the cursor was before.
    at = (round(box["x"] + box["width"] / 2 - 60), round(box["y"] + box["height"] / 2))
    page.mouse.move(*at)
    before = pad.locator(".readout").text_content()
    for _ in range(6):
        page.mouse.wheel(0, -240)
    page.wait_for_function(
        "before => !document.querySelector('.readout').textContent.endsWith(before)",
        arg=before.split("·")[1],
    )
    page.mouse.click(*at)
    expect_words(pad, ".asked", "2 of 3")
    second = stored(tmp_path)["marks"].iloc[-1]
    assert second["x_px"] == pytest.approx(float(before.split()[1]), abs=1)
    assert second["y_px"] == pytest.approx(float(before.split()[3]), abs=1)

    # By keys: the aim in the middle of the screen, moved, set; then the mark nudged.
    page.keyboard.press("Escape")
    for _ in range(3):
        page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("Enter")
    expect_words(pad, ".asked", "3 of 3")
    last = stored(tmp_path)["marks"].iloc[-1]
    page.keyboard.press("p")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    expect_words(pad, ".saved", "All saved")
    nudged = stored(tmp_path)["marks"].iloc[-1]
    assert nudged["x_px"] - last["x_px"] == pytest.approx(2.0)

    # Undo and redo by keys.
    page.keyboard.press("Control+z")
    expect_words(pad, ".saved", "All saved")
    page.keyboard.press("Control+z")
    expect_words(pad, ".asked", "2 of 3")
    page.keyboard.press("Control+y")
    expect_words(pad, ".asked", "3 of 3")

    # A zone is graded by its button.
    grade = pad.get_by_role("button", name="right cup zone 2: line in part of the zone")
    grade.click()
    playwright_api.expect(grade).to_have_attribute("aria-pressed", "true")

    # The keys for the way the film looks change nothing that is stored.
    before_looks = stored(tmp_path)["marks"]
    pad.locator(".stage").focus()
    for key in ("0", "m", "i", "]", ".", "z", "h", "h"):
        page.keyboard.press(key)
    times = sorted(page.evaluate(FRAMES))
    print(f"frames of a film of 2,500 x 3,000: median {times[15]:.1f} ms, slowest {times[-1]:.1f} ms")
    assert times[15] < 100, "milliseconds a frame"

    # The kernel is killed and the page loaded again: all is there.
    lab.kill_kernels()
    pad = open_pad(page, lab)
    expect_words(pad, ".asked", "right head edge, 3 of 3")
    found = stored(tmp_path)
    place = ["landmark", "side", "x_px", "y_px"]
    assert found["marks"][place].to_numpy().tolist() == before_looks[place].to_numpy().tolist()
    assert len(found["marks"]) == 3
    assert found["gradings"][["side", "zone", "state"]].to_numpy().tolist() == [["right", "2", "incomplete"]]
