"""The report page: whole in itself, every name escaped."""

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

import invented
import pytest

from lanes.flags import REGISTRY
from lanes.report.definitions import CAUTIONS, DEFINITIONS, LAWS
from lanes.report.report import report_html
from lanes.report.write import reading_files
from lanes.spots.fit import Attempt

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Collects tags and text, and checks that every tag is closed in its turn."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.text = [], [], []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture(scope="module")
def files():
    return reading_files(invented.plate())


@pytest.fixture(scope="module")
def page(files):
    return Page(files["report.html"].decode("utf-8"))


def test_nothing_is_loaded_from_outside(files, page):
    names = [tag for tag, _ in page.tags]
    assert not {"script", "link", "iframe", "object", "embed", "base", "form"} & set(names)
    for _, attributes in page.tags:
        assert not any(key.startswith("on") for key in attributes)
        for key in ("src", "href", "srcset", "poster", "action", "data"):
            value = attributes.get(key)
            assert value is None or value.startswith("data:image/png;base64,")
    assert b"url(" not in files["report.html"]
    assert b"@import" not in files["report.html"]
    assert not re.search(rb"https?://", files["report.html"])


def test_the_pictures_are_the_files(files, page):
    shown = [
        base64.b64decode(attributes["src"].partition(",")[2])
        for tag, attributes in page.tags
        if tag == "img"
    ]
    assert shown == [data for name, data in files.items() if name.endswith(".png")]
    assert all(attributes["alt"] for tag, attributes in page.tags if tag == "img")


def test_names_are_escaped(files, page):
    text = "".join(page.text)
    assert "plate <1> & co.png" in text
    assert "Lane <b>&\"'$x$" in text
    assert not any(tag == "b" for tag, _ in page.tags)
    nasty = replace(
        invented.trace_only(),
        source=replace(invented.trace_only().source, file='"><img src=x onerror=alert(1)>'),
    )
    nasty = replace(nasty, lanes=(replace(nasty.lanes[0], name="</td><i>", role="<u>"),))
    tags = {tag for tag, _ in Page(report_html(nasty).decode("utf-8")).tags}
    assert not {"img", "i", "u"} & tags


def test_figures_limits_flags_and_settings_are_on_the_page(page):
    text = " ".join("".join(page.text).split())
    for words in (
        "No spot above 0.012 signal × mm².",
        "(only one found)",
        "0.66 ± 0.03",
        "ab" * 32,
        'light = "white"',
        "origin 0.98",
    ):
        assert words in text
    assert "0.15000" not in text
    for name in ("weak", "no-spot"):
        kind = REGISTRY[name]
        assert kind.meaning[1:] in text
        assert kind.remedy[1:] in text
    assert REGISTRY["clipped"].remedy not in text


def test_the_page_begins_with_what_the_figures_are_not_for(page):
    text = " ".join("".join(page.text).split())
    before, _, _ = text.partition("Spot Rf")
    assert "not validated for release, clinical or forensic decisions" in before


def test_a_lanes_fit_is_put_in_sentences(page):
    text = " ".join("".join(page.text).split())
    assert "The trace was fitted with " in text
    for start in ("Fitted:", "Counts tried,", "Noise "):
        assert start not in text


def test_definitions_and_cautions_are_on_the_page(page):
    text = "".join(page.text)
    for entry in (*DEFINITIONS, LAWS["kubelka-munk"]):
        assert entry.formula in text
        assert entry.source in text
    for _, caution in CAUTIONS:
        assert caution in text
    for words in ("not validated for release, clinical or forensic", "not mass percent", "UV lamps",
                  "flammable and toxic", "Silica dust", "Local codes"):  # fmt: skip
        assert words in text


@pytest.mark.parametrize("make", [invented.plate, invented.unscaled, invented.trace_only])
def test_same_reading_same_bytes_and_no_picture_where_none_is_asked(make):
    reading = make()
    assert report_html(reading) == report_html(make())
    page = Page(report_html(reading).decode("utf-8"))
    assert not any(tag == "img" for tag, _ in page.tags)
    assert "None" not in "".join(page.text)
    assert "nan" not in "".join(page.text)


def test_a_phone_and_a_printer_are_thought_of(files, page):
    viewport = [a for tag, a in page.tags if tag == "meta" and a.get("name") == "viewport"]
    assert viewport[0]["content"].startswith("width=device-width")
    style = files["report.html"].decode("utf-8")
    assert "@page { margin" in style
    assert "overflow-x: auto" in style
    print_sizes = re.findall(r"font-size: ([\d.]+)pt", style)
    assert min(map(float, print_sizes)) >= 10
    rows = [tag for tag, _ in page.tags].count("table")
    boxes = sum(1 for tag, a in page.tags if tag == "div" and a.get("role") == "region")
    assert rows == boxes


def test_lengths_are_left_out_where_unknown():
    text = "".join(Page(report_html(invented.unscaled()).decode("utf-8")).text)
    assert "Distance, mm" not in text
    assert "360 × 600 px" in text
    assert "scale-unknown" in text


def test_the_sign_for_unknown_is_explained_only_where_it_stands():
    alone = replace(invented.plate(), lanes=invented.plate().lanes[3:])
    assert "? is not known" not in report_html(alone).decode("utf-8")
    assert "? is not known" in report_html(invented.plate()).decode("utf-8")


def test_why_one_count_was_taken_stands_beside_the_scores():
    def choice(bic, refused=()):
        lane = invented.plate().lanes[3]
        tried = tuple(Attempt(n, shape, 1.0, 5, 0.0, score) for n, shape, score in (
            (1, "gaussian", 50.0), (1, "gaussian, 1 tailing", 30.0), (2, "gaussian", 12.5)))
        fit = replace(lane.fit, tried=tried, bic=bic, refused=refused)
        html = report_html(replace(invented.plate(), lanes=(replace(lane, fit=fit),))).decode()
        return html.partition("Tried, with the BIC (lower is nearer the trace): ")[2]

    listed = "2 spots (12.5); 1 spot, 1 tailing (30.0); 1 spot (50.0). "
    assert choice(12.5).startswith(listed + "The lowest was taken. A further")
    assert choice(12.5, (0.4,)).startswith(listed + "The lowest was taken. More spots were refused")
    assert choice(30.0, (0.4,)).startswith(
        listed + "Taken was 1 spot, 1 tailing (30.0): those of a lower BIC hold spots that could")
