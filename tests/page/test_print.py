"""The report printed by a browser: on A4 and on letter, nothing cut off at the side."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.print_page_options import PrintOptions
from test_browser import BROWSER, DRIVER, FLAGS, pytestmark  # noqa: F401

from lanes.cli import main

# Width and height in cm (ISO 216; ANSI/ASME Y14.1), and in points of 1/72 inch as a PDF has them.
PAPER = {"A4": (21.0, 29.7, 595, 842), "letter": (21.59, 27.94, 612, 792)}
MARGIN_CM = 1.0


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("print") / "reading"
    demo = Path(__file__).parents[2] / "fixtures" / "demo.png"
    assert main(["measure", str(demo), "--out", str(out)]) == 0
    return out / "report.html"


@pytest.fixture(scope="module")
def driver() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(BROWSER)
    for flag in FLAGS.split():
        options.add_argument(flag)
    running = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        yield running
    finally:
        running.quit()


@pytest.mark.parametrize("paper", list(PAPER))
def test_the_report_prints_whole(driver: webdriver.Chrome, report: Path, paper: str) -> None:
    width, height, points_wide, points_high = PAPER[paper]
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    driver.get(report.as_uri())
    page = PrintOptions()
    page.page_width, page.page_height = width, height
    page.margin_left = page.margin_right = page.margin_top = page.margin_bottom = MARGIN_CM
    page.shrink_to_fit = False
    pdf = base64.b64decode(driver.print_page(page))
    # As wide as the paper's text at 96 pixels an inch: nothing may stick out.
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": int((width - 2 * MARGIN_CM) / 2.54 * 96), "height": 1000,
        "deviceScaleFactor": 1, "mobile": False})
    over = driver.execute_script("const e = document.documentElement;"
                                 " return e.scrollWidth - e.clientWidth")
    assert pdf.startswith(b"%PDF")
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    assert boxes
    for wide, high in boxes:
        assert float(wide) == pytest.approx(points_wide, abs=1)
        assert float(high) == pytest.approx(points_high, abs=1)
    assert len(boxes) <= 8  # four lanes: the plate and its spots, two lanes a page, what all means
    assert over <= 0


@pytest.mark.parametrize("width", [360, 500, 1280])
def test_no_table_is_cut_in_a_narrow_window(
    driver: webdriver.Chrome, report: Path, width: int
) -> None:
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "screen"})
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False})
    driver.get(report.as_uri())
    # What does not fit scrolls in a box of its own; the page itself never sideways.
    over = driver.execute_script(
        "const e = document.documentElement; return [e.scrollWidth - e.clientWidth,"
        " ...[...document.querySelectorAll('table')].map(t => {"
        "   const box = t.closest('.box');"
        "   const free = getComputedStyle(box).overflowX === 'auto';"
        "   return free ? 0 : t.scrollWidth - box.clientWidth;"
        " })]")
    assert max(over) <= 0
