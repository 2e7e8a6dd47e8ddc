"""A calibration document as a person sees it: headless Chromium, wide and narrow, light and dark."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import chromium
import numpy as np
import pytest
from PIL import Image
from sample_document import make_archive

from anviltrace.archive import Archive
from anviltrace.publish.document import collect_document
from anviltrace.publish.documentfiles import write_document

pytestmark = pytest.mark.skipif(chromium.find() is None, reason="no Chromium on this machine")

PLACES = [(1280, 900, False), (1280, 900, True), (390, 844, False), (390, 844, True)]


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("document")
    make_archive(folder / "bench.anviltrace", hostile=True)
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        return write_document(collect_document(archive, "0000"), folder)[0]


@pytest.fixture(scope="module")
def browser() -> Iterator[chromium.Page]:
    with chromium.Page() as started:
        yield started


@pytest.mark.parametrize(("width", "height", "dark"), PLACES)
def test_it_shows_without_a_complaint_and_fits(
    browser: chromium.Page, file: Path, width: int, height: int, dark: bool
) -> None:
    browser.size(width, height, touch=width < 500)
    browser.scheme(dark=dark)
    browser.open(file)
    assert browser.problems == []
    assert [url for url in browser.requests if not url.startswith("file:")] == []
    assert browser.run("document.title").startswith("Calibration record")
    assert browser.run("document.documentElement.scrollWidth") <= width
    browser.run("document.querySelector('figure').scrollIntoView()")
    with Image.open(io.BytesIO(browser.screenshot())) as picture:
        seen = np.asarray(picture.convert("RGB"), dtype=int)
    ground = seen[:, 2].mean()
    assert ground < 60 if dark else ground > 200
    assert (seen.max(axis=2) - seen.min(axis=2) > 60).sum() > 200  # marks and lines, not only axes


@pytest.mark.parametrize("dark", [False, True])
def test_letters_and_axes_of_pictures_stand_out(browser: chromium.Page, file: Path, dark: bool) -> None:
    browser.scheme(dark=dark)
    browser.open(file)
    ink = browser.run("getComputedStyle(document.body).color")
    letters = browser.run("getComputedStyle(document.querySelector('figure svg text')).fill")
    assert letters == ink


def test_on_paper_nothing_is_cut_off(browser: chromium.Page, file: Path) -> None:
    browser.paper()
    browser.open(file)
    assert browser.run(chromium.STICKING_OUT) == []
    assert browser.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
