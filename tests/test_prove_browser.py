"""The proving sheet in a headless Chromium: nothing logged, nothing fetched, nothing clipped."""

from __future__ import annotations

import pytest
from chromium import Chromium
from prove_bench import bench
from test_prove import HOSTILE, sheet_of

from diagnose.prove.sheet import as_html

PHONE, DESKTOP = 360, 1280
# elements whose box ends right of the window, or whose text is wider than its own box
CLIPPED = """
[...document.querySelectorAll('body *')].filter(e => {
  const r = e.getBoundingClientRect();
  return r.width > 0 && (r.right > document.documentElement.clientWidth + 1 || r.left < -1
         || e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline');
}).map(e => e.tagName + ' ' + e.textContent.slice(0, 40))
"""

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "sheet.html"
    path.write_text(as_html(sheet_of(bench())), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    with Chromium() as found:
        yield found


@pytest.mark.parametrize("width", [PHONE, DESKTOP])
def test_nothing_is_clipped_logged_or_fetched(browser, page, width):
    browser.open(page, width)
    assert browser.value("innerWidth") == width
    assert browser.value("document.documentElement.scrollWidth") <= width
    assert browser.value(CLIPPED) == []
    assert browser.value("document.querySelectorAll('tr').length") > 100
    assert browser.troubles() == []
    assert set(browser.requested()) == {page.as_uri()}


def test_a_hostile_note_is_text_in_the_page(browser, page):
    browser.open(page, DESKTOP)
    assert browser.value("document.querySelectorAll('script, img').length") == 0
    assert HOSTILE in browser.value("document.body.textContent")


def test_the_sheet_prints(browser, page, tmp_path):
    browser.open(page, DESKTOP)
    printed = browser.pdf()
    assert printed.startswith(b"%PDF") and printed.rstrip().endswith(b"%%EOF")
    assert b"/Count 1\n" not in printed  # more than one sheet of paper
    assert len(printed) > 20_000
