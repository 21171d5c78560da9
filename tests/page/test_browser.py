"""The page in a real browser: a plate read wrong is put right by hand, asked about and saved."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from misread import FRONT, HEIGHT, ORIGIN, RFS, WIDTH, misread
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from serving import Server, Start

from lanes.cli import main

FLAGS = ("--headless=new --no-sandbox --disable-gpu --disable-background-networking "
         "--disable-component-update --disable-sync --window-size=1280,1000")
DRIVER = shutil.which("chromedriver")
BROWSER = shutil.which("chromium")
# Where a test must not be skipped, as in .ci/run, this says so.
MUST = os.environ.get("LANES_BROWSER") == "must"
pytestmark = pytest.mark.skipif(
    not MUST and (DRIVER is None or BROWSER is None), reason="no chromium with its driver here")


class Page:
    """The browser, and what a person does in it."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def one(self, selector: str) -> WebElement:
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def until(self, true: Callable[[], object], seconds: float = 60.0) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                if true():
                    return
            except Exception:
                pass
            time.sleep(0.05)
        raise AssertionError(f"not within {seconds} s: {self.one('body').text[:500]}")

    def state(self, settled: bool = False) -> dict[str, object]:
        """Return what the page shows; where `settled`, once all stages have read it, or in 5 s.

        The page looks by itself: asking the browser again and again takes as long as reading.
        """
        found: dict[str, object] = self.driver.execute_async_script(
            "const [settled, done] = arguments; import('/static/store.js').then(({ store }) => {"
            " const end = Date.now() + 5000, look = () => { const now = "
            " { fresh: store.state?.fresh ?? false, revision: store.state?.revision ?? 0,"
            " whole: store.state?.whole ?? false, id: store.id,"
            " rf: (store.reading?.lanes ?? []).map((l) => l.spots.map((s) => s.rf)),"
            " layout: store.state?.layout ?? null, by_hand: store.state?.by_hand ?? [],"
            " error: store.state?.error ?? null };"
            " if (!settled || (now.fresh && (now.whole || now.error)) || Date.now() > end)"
            " done(now); else setTimeout(look, 20); }; look(); })", settled)
        return found

    def read(self) -> dict[str, object]:
        """Wait until what is shown is read by all stages, and return it."""
        now: dict[str, object] = {}

        def settled() -> object:
            now.update(self.state(settled=True))
            return now["fresh"] and (now["whole"] or now["error"])

        self.until(settled)
        return now

    def after(self, act: Callable[[], object]) -> dict[str, object]:
        """Do something that edits the plate; return the state once it is read."""
        before = self.state()["revision"]
        act()
        self.until(lambda: self.state()["revision"] != before)
        return self.read()

    def per_mm(self) -> float:
        """Return how many pixels of the screen a millimetre of the squared plate takes."""
        image = self.driver.execute_script(
            "return document.querySelector('#plate image').getBoundingClientRect().height")
        return float(image) / HEIGHT

    def drag(self, selector: str, right_mm: float, up_mm: float) -> None:
        scale = self.per_mm()
        ActionChains(self.driver, duration=60).move_to_element(self.one(selector)).click_and_hold(
        ).move_by_offset(2, 2).move_by_offset(
            round(right_mm * scale) - 2, round(-up_mm * scale) - 2).release().perform()

    def tab(self, name: str) -> None:
        self.one(f"#tab-{name}").click()


@pytest.fixture(scope="module")
def driver() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    for flag in FLAGS.split():
        options.add_argument(flag)
    if BROWSER:
        options.binary_location = BROWSER
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    running = webdriver.Chrome(options=options, service=Service(DRIVER))
    running.set_script_timeout(30)
    try:
        yield running
    finally:
        running.quit()


@pytest.fixture
def page(driver: webdriver.Chrome) -> Iterator[Page]:
    """Return an empty tab of the browser, as wide as at its start, and nothing else in it."""
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.set_window_size(1280, 1000)
    driver.get_log("browser")  # what came before
    try:
        yield Page(driver)
        # No script broke off, and the page's own policy let nothing in.
        faults = [entry["message"] for entry in driver.get_log("browser")
                  if entry["level"] == "SEVERE" and "status of 4" not in entry["message"]
                  # What a poll meets whose server was killed, by how far it had come.
                  and not re.search(r"net::ERR_(CONNECTION_(REFUSED|RESET|CLOSED)"
                                    r"|SOCKET_NOT_CONNECTED|EMPTY_RESPONSE)", entry["message"])]
        assert faults == []
    finally:
        first, *others = driver.window_handles
        for tab in others:
            driver.switch_to.window(tab)
            driver.close()
        driver.switch_to.window(first)
        driver.get("about:blank")
        driver.delete_all_cookies()


def entered(page: Page, server: Server, picture: Path) -> dict[str, object]:
    """Open the page by its address and drop the picture on it."""
    page.driver.get(server.address)
    page.until(lambda: page.one("#home").is_displayed())
    assert "key=" not in page.driver.current_url
    page.one("#file").send_keys(str(picture))
    return page.read()


def right(state: dict[str, object]) -> bool:
    """Return whether every Rf is that of the drawing to within 0.005."""
    found = state["rf"]
    assert isinstance(found, list)
    return len(found) == len(RFS) and all(
        len(lane) == len(true) and all(abs(a - b) < 0.005 for a, b in zip(lane, true, strict=True))
        for lane, true in zip(found, RFS, strict=True))


def test_a_plate_read_wrong_is_put_right_and_kept(
    page: Page, start: Start, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server = start()
    picture = misread(tmp_path)
    state = entered(page, server, picture)
    assert not right(state)
    assert [len(lane) for lane in state["rf"]] != [len(lane) for lane in RFS]  # type: ignore[union-attr]
    page.one("#show-squared").find_element(By.XPATH, "..").click()
    page.until(lambda: "squared" in page.driver.execute_script(
        "return performance.getEntriesByType('resource').map((e) => e.name).join()"))
    page.until(lambda: abs(page.driver.execute_script(
        "const b = document.querySelector('#plate image').getBoundingClientRect();"
        "return b.width / b.height") - WIDTH / HEIGHT) < 0.01)

    # The false lane goes; the true one beside it gets its width back, and is moved a little.
    page.one("[data-key='tab 1']").click()
    state = page.after(lambda: page.one("[data-key='remove lane']").click())
    assert len(state["layout"]["lanes"]) == 3  # type: ignore[index]
    page.one("[data-key='tab 1']").click()
    width = state["layout"]["lanes"][1]["width"]  # type: ignore[index]
    state = page.after(lambda: page.drag("[data-key='lane 1 width'] .dot", (7 - width) / 2, 0))
    assert state["layout"]["lanes"][1]["width"] == pytest.approx(7, abs=0.3)  # type: ignore[index]
    x = state["layout"]["lanes"][1]["x"]  # type: ignore[index]
    state = page.after(lambda: page.drag("[data-key='lane 1'] .lane-name", 0.5, 0))
    moved = state["layout"]["lanes"][1]["x"]  # type: ignore[index]
    assert moved == pytest.approx(x + 0.5, abs=0.1)
    page.after(lambda: page.one("#undo").click())

    # Origin by the mouse, front by the mouse and then by keys.
    heights = state["layout"]["origin"]  # type: ignore[index]
    state = page.after(lambda: page.drag("[data-key='origin whole'] .tag", 0, ORIGIN - heights[1]))
    heights = state["layout"]["front"]  # type: ignore[index]
    state = page.after(
        lambda: page.drag("[data-key='front whole'] .tag", 0, FRONT + 1 - heights[1]))
    assert not right(state)
    heights = state["layout"]["front"]  # type: ignore[index]

    def press() -> None:
        page.driver.execute_script(
            "document.querySelector(\"[data-key='front whole']\").focus()")
        ActionChains(page.driver).send_keys(
            Keys.ARROW_DOWN * round((heights[1] - FRONT) * 10)).perform()

    state = page.after(press)
    assert right(state), state["rf"]
    assert {"origin", "front", "lanes"} <= set(state["by_hand"])  # type: ignore[call-overload]
    shown = page.one("#spots").text
    assert re.search(r"^1 1 0\.30", shown, re.MULTILINE)
    assert "set by hand" in page.one("#places").text

    ask_shoulder(page)
    save(page, server)
    # Opened anew, the draft goes on; so does the saved folder in another server.
    page.driver.refresh()
    assert right(page.read())
    saved = server.home / "kept"
    results = (saved / "results.json").read_bytes()
    assert main(["measure", str(picture), "--settings", str(saved / "settings.toml"), "--out",
                 str(tmp_path / "again"), "--no-figures"]) == 0
    capsys.readouterr()
    assert (tmp_path / "again" / "results.json").read_bytes() == results
    rf = [[spot["rf"] for spot in lane["spots"]] for lane in json.loads(results)["lanes"]]
    assert right({"rf": rf})
    page.driver.get("about:blank")
    server.kill()
    other = start(str(saved))
    page.driver.get(other.address)
    page.until(lambda: page.one("#open-plates a").is_displayed())
    page.one("#open-plates a").click()
    assert right(page.read())


def ask_shoulder(page: Page) -> None:
    """Ask of the middle lane's second spot by clicking it on the plate."""
    page.tab("questions")
    page.one("[data-key='question shoulder']").click()
    page.one(".spot[data-spot='1:1'] .ring").click()
    chosen = page.driver.execute_script(
        "const e = document.querySelector(\"[data-key='entry spot']\");"
        "return e.selectedOptions[0].textContent")
    assert chosen.startswith("3, spot 2, Rf 0.5")
    page.one("[data-key='ask']").click()
    page.until(lambda: page.one("#answers li").get_attribute("class") == "answered", 120)
    page.until(lambda: page.one("#answer-frame").is_displayed())
    page.driver.switch_to.frame(page.one("#answer-frame"))
    page.until(lambda: "component" in page.one("h1").text)
    assert page.one("img").size["width"] > 200
    page.driver.switch_to.default_content()


def save(page: Page, server: Server) -> None:
    page.tab("about")
    sample = page.one("[data-key='about sample']")
    page.after(lambda: sample.send_keys("plate used twice", Keys.TAB))
    name = page.one("#save-name")
    name.clear()
    name.send_keys("kept")
    page.one("#save-now").click()
    page.until(lambda: str(server.home / "kept") in page.one("#saved-where").text, 90)


def test_hovering_lights_plate_trace_and_table(page: Page, server: Server, demo: Path) -> None:
    entered(page, server, demo)
    page.one("[data-key='tab 1']").click()
    page.until(lambda: page.one(".mark[data-spot='1:2']"))
    row = page.one("tr[data-spot='1:2'] td.n:nth-of-type(2)")
    ActionChains(page.driver).move_to_element(row).perform()
    lit = page.driver.execute_script(
        "return [...document.querySelectorAll('.lit')].map((n) => n.tagName.toLowerCase())")
    assert sorted(lit) == ["g", "g", "path", "tr"]
    page.one("#copy").click()
    page.until(lambda: "copied" in page.one("#said").text)


def test_two_tabs_show_one_document(page: Page, server: Server, demo: Path) -> None:
    entered(page, server, demo)
    address = page.driver.current_url
    first = page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    page.driver.get(address)
    page.read()
    page.after(lambda: page.one("[data-key='choice law']").send_keys("Kubelka"))
    page.driver.switch_to.window(first)
    page.until(lambda: page.one("[data-key='choice law']").get_attribute("value")
               == "kubelka-munk")
    page.after(lambda: page.one("#undo").click())


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_serious_fault_for_those_who_hear_or_tab(
    page: Page, server: Server, demo: Path, width: int, theme: str
) -> None:
    """axe-core 4 finds no serious or critical fault; nothing sticks out at phone width."""
    source = os.environ.get("AXE_CORE")
    if source is None:
        if MUST:
            raise AssertionError("AXE_CORE names no axe.min.js")
        pytest.skip("AXE_CORE names no axe.min.js")
    page.driver.set_window_size(width, 1000)
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False})
    page.driver.get(server.address)
    page.until(lambda: page.one("#home").is_displayed())
    page.driver.execute_script(f"localStorage.setItem('theme', '{theme}')")
    entered(page, server, demo)
    assert page.driver.execute_script("return document.documentElement.dataset.theme") == theme
    axe = Path(source).read_text(encoding="utf-8")
    for tab in ("reading", "questions", "about"):
        page.tab(tab)
        if tab == "questions":
            page.one("[data-key='question compare']").click()
        sideways = page.driver.execute_script("return document.documentElement.scrollWidth")
        assert sideways <= width
        # The browser's own debugging way in: the page's policy lets no foreign script run.
        page.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
        found = page.driver.execute_async_script(
            "const done = arguments[0]; axe.run().then((r) => done(r.violations.map((v) =>"
            " [v.impact, v.id, v.nodes.map((n) => n.html.slice(0, 160))])))")
        assert [each for each in found if each[0] in ("serious", "critical")] == []
