"""The report as a person sees it: headless Chromium, wide and narrow, light and dark."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import chromium
import numpy as np
import pytest
from sample_report import BEFORE_S, HOSTILE, RATE_HZ, material

from anviltrace.publish.material import Material
from anviltrace.publish.page import render

pytestmark = pytest.mark.skipif(chromium.find() is None, reason="no Chromium on this machine")

SHOWN = "document.documentElement.dataset.charts === 'shown'"
FIGURE = "Bokeh.documents.map((each) => each.get_model_by_name('chart-0')).find(Boolean)"
DRAWN = f"{FIGURE}.renderers.map((renderer) => Array.from(renderer.data_source.data.y))"
SETTLED = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"
PLACES = [(1280, 900, False), (1280, 900, True), (390, 844, False), (390, 844, True)]


@pytest.fixture(scope="module")
def sample() -> Material:
    return material(repeats=2, drive_s=1.0)


@pytest.fixture(scope="module")
def file(sample: Material, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(render(sample), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[chromium.Page]:
    with chromium.Page() as started:
        yield started


@pytest.fixture
def page(browser: chromium.Page, file: Path) -> chromium.Page:
    browser.size(1280, 900)
    browser.scheme(dark=False)
    browser.open(file)
    browser.wait_for(SHOWN)
    return browser


def tightening(sample: Material) -> list[np.ndarray]:
    """The samples of the runs in the first chart, high ones first."""
    found = [curve.values for number, _, _, curve in sample.drawn() if number < 4]
    return sorted(found, key=np.nanmax, reverse=True)


def pixels(picture: bytes) -> np.ndarray:
    from PIL import Image

    with Image.open(io.BytesIO(picture)) as image:
        return np.asarray(image.convert("RGB"), dtype=int)


@pytest.mark.parametrize(("width", "height", "dark"), PLACES)
def test_it_shows_without_a_complaint_and_fits(
    browser: chromium.Page, file: Path, width: int, height: int, dark: bool
) -> None:
    browser.size(width, height, touch=width < 500)
    browser.scheme(dark=dark)
    browser.open(file)
    browser.wait_for(SHOWN)
    browser.run("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    assert browser.run("document.documentElement.scrollWidth") <= width
    browser.run("document.getElementById('chart-0').scrollIntoView()")
    browser.run(SETTLED)
    seen = pixels(browser.screenshot())
    assert browser.problems == []
    assert [url for url in browser.requests if not url.startswith(("file:", "data:"))] == []
    ground = seen[:, 2].mean()
    assert ground < 60 if dark else ground > 200
    coloured = (seen.max(axis=2) - seen.min(axis=2) > 60).mean()
    assert coloured > 0.02  # the curves are there, not only their axes


def test_the_whole_run_shows_every_peak_and_a_blow_every_sample(
    page: chromium.Page, sample: Material
) -> None:
    runs = tightening(sample)
    steps = [float(np.nanmax(values)) / 32767 for values in runs]
    whole = page.run(DRAWN)
    highest = [float(np.nanmax(values)) for values in runs]
    assert [max(filter(None, line)) for line in whole] == pytest.approx(highest, abs=max(steps))
    page.run("document.querySelector('[data-look=first]').click()")
    page.run(SETTLED)
    (start, end) = page.run(f"[{FIGURE}.x_range.start, {FIGURE}.x_range.end]")
    assert end - start == pytest.approx(0.015)
    first = round((start + BEFORE_S) * RATE_HZ) - 1
    shown = page.run(DRAWN)[0]
    assert len(shown) >= 0.015 * RATE_HZ
    nearest = min(
        np.abs(np.array(shown) - runs[0][first + shift : first + shift + len(shown)]).max()
        for shift in (-1, 0, 1)
    )
    assert nearest <= steps[0]


def test_wheel_and_reset(page: chromium.Page) -> None:
    page.run("document.getElementById('chart-0').scrollIntoView()")
    box = page.run("(() => { const box = document.getElementById('chart-0').getBoundingClientRect();"
                   " return [box.x + box.width / 2, box.y + box.height / 2]; })()")  # fmt: skip
    span = f"{FIGURE}.x_range.end - {FIGURE}.x_range.start"
    before = page.run(span)
    page.wheel(box[0], box[1], -240)
    page.wait_for(f"{span} < {0.9 * before}")
    page.run("document.querySelector('[data-look=whole]').click()")
    assert page.run(span) == pytest.approx(before)
    page.drag((box[0], box[1]), (box[0] - 200, box[1]))
    assert page.problems == []


def test_a_condition_can_be_taken_out_and_put_back(page: chromium.Page, sample: Material) -> None:
    count = f"{FIGURE}.renderers.filter((renderer) => renderer.data_source.data.x.length > 0).length"
    everything = page.run(count)
    assert everything == len(tightening(sample))
    page.run("document.querySelector('[data-condition=\"0\"]').click()")
    page.wait_for(f"{count} === {everything - 2}")
    page.run("document.querySelector('[data-condition=\"0\"]').click()")
    page.wait_for(f"{count} === {everything}")


def test_the_chart_follows_the_colour_scheme(page: chromium.Page) -> None:
    ink = f"{FIGURE}.below[0].axis_label_text_color"
    light = page.run(ink)
    page.scheme(dark=True)
    page.wait_for(f"{ink} !== '{light}'")
    assert page.problems == []


def test_on_paper_nothing_is_cut_off_and_what_numbers_rest_on_is_unfolded(
    page: chromium.Page, file: Path
) -> None:
    folded = "document.querySelectorAll('details:not([open])').length"
    shown = "[...document.querySelectorAll('{} table')].filter((table) => table.checkVisibility()).length"
    page.paper()
    page.open(file)
    page.wait_for(SHOWN)
    assert page.run(folded) > 0
    assert page.run(chromium.STICKING_OUT) == []
    assert page.run(shown.format("#calibration details")) > 0
    assert page.run(shown.format("#metrics details")) > 0
    assert page.run(shown.format("#runs details")) == 0
    assert page.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_names_with_html_in_them_do_nothing(browser: chromium.Page, tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(render(material(repeats=1, drive_s=0.2, hostile=True)), encoding="utf-8")
    browser.open(path)
    browser.wait_for(SHOWN)
    assert browser.run("document.title") == f"Fishplate bolts {HOSTILE}"
    assert HOSTILE in browser.run("document.querySelector('h1').textContent")
    assert browser.problems == []
