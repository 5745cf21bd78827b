"""The pages in a browser, from the file system, at desk and phone width."""

import os
import shutil
from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from dashboards.report import PAGES, write_report
from dashboards.stories import page_of
from tests.dashboards.conftest import FIRST_MONDAY

CHROMIUM = shutil.which("chromium")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WIDTHS = (1280, 390)

if not CHROMIUM and not os.environ.get("CI"):
    pytest.skip("chromium is not installed: pages are not looked at in a browser", allow_module_level=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    assert CHROMIUM, "chromium is not installed"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


class Watched:
    """A page with everything it complained of and asked for."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda message: self._hear(message.type, message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("requestfailed", lambda request: self.complaints.append(f"failed: {request.url}"))
        page.on("request", lambda request: self.requests.append(request.url))

    def _hear(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)

    def open(self, file: Path) -> None:
        self.page.goto(file.as_uri())
        self.page.wait_for_function("[...document.querySelectorAll('.plot[data-drawn]')].every((p) => p.data)")

    @property
    def asked_outside(self) -> list[str]:
        return [url for url in self.requests if not url.startswith(("file:", "data:", "blob:"))]


@pytest.fixture(params=WIDTHS)
def watched(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Watched]:
    page = browser.new_page(viewport={"width": request.param, "height": 900})
    yield Watched(page)
    page.close()


@pytest.mark.parametrize("report_fixture", ["full_report", "empty_report"])
def test_pages_are_quiet_offline_inert_and_fit_their_width(
    watched: Watched, report_fixture: str, request: pytest.FixtureRequest
) -> None:
    folder = request.getfixturevalue(report_fixture)
    for page in PAGES:
        watched.open(folder / f"{page.name}.html")
        widths = "[document.scrollingElement.scrollWidth, document.scrollingElement.clientWidth]"
        scroll_width, client_width = watched.page.evaluate(widths)
        assert (page.name, scroll_width <= client_width) == (page.name, True)
        assert watched.page.evaluate("window.wasRun === undefined")
    assert watched.complaints == []
    assert watched.asked_outside == []


def test_selects_bring_up_the_figure_and_rows_they_name(
    watched: Watched, full_report: Path, tables: dict[str, list[dict[str, Any]]]
) -> None:
    watched.open(full_report / "comparing.html")
    page = watched.page
    page.select_option("select[name=time_scale]", "km")
    page.select_option("select[name=engine_family]", "KT-4")
    page.wait_for_function("document.querySelector('.choice:not([hidden]) .plot').data !== undefined")
    shown = page.locator("#methods ~ .choices .choice:visible .figure-title").first
    assert "KT-4" in shown.inner_text()
    assert "by 10,000 km" in page.locator("#methods ~ .choices .choice:visible thead").first.inner_text()

    watched.open(full_report / "planning.html")
    page.select_option("select[name=site]", "Quay")
    headings = page.locator("tr.group:visible").all_inner_texts()
    assert headings
    assert all("Quay" in heading for heading in headings)
    assert page.locator(".count").inner_text() == "14 of 42 shown."
    weeks = page.locator("details.week:visible")
    assert weeks.first.get_attribute("open") is not None
    assert weeks.last.get_attribute("open") is None
    planned = [visit for visit in tables["plan"] if visit["week_start"] == FIRST_MONDAY and visit["site"] == "Quay"]
    hours = sum(visit["hours"] for visit in planned)
    summary = f"Week of 6\u00a0Jul\u00a02026, Quay, {hours:.1f} of 9.0 h: {len(planned)} vehicles"
    assert weeks.first.locator("summary").first.inner_text() == summary
    last = page.locator("select[name=week] option").last.get_attribute("value")
    page.select_option("select[name=week]", last)
    assert page.locator("tr.group:visible").count() == 1
    assert watched.complaints == []


def test_a_sentence_stands_where_the_selects_leave_nothing(
    watched: Watched,
    published_with: Callable[..., Path],
    tables: dict[str, list[dict[str, Any]]],
    tmp_path: Path,
) -> None:
    def is_elsewhere(row: dict[str, Any]) -> bool:
        return (row["site"], row["week_start"]) != ("Quay", FIRST_MONDAY)

    kept = {name: [row for row in tables[name] if is_elsewhere(row)] for name in ("plan", "parts")}
    watched.open(write_report(published_with(**kept), tmp_path / "report").parent / "planning.html")
    page = watched.page
    page.select_option("select[name=week]", str(FIRST_MONDAY))
    assert page.locator(".empty:visible").count() == 0
    page.select_option("select[name=site]", "Quay")
    assert page.locator(".empty:visible").all_inner_texts() == [
        "No look is planned for this choice of site and week.",
        "Nothing in this table fits what is chosen.",
    ]
    assert page.locator("#pick-list ~ .table-box:visible").count() == 0
    page.select_option("select[name=week]", "")
    assert page.locator(".empty:visible").count() == 0
    assert page.locator("#pick-list ~ .table-box:visible").count() == 1


def test_no_two_names_touch_in_a_funnel(watched: Watched, full_report: Path) -> None:
    watched.open(full_report / "comparing.html")
    page = watched.page
    for scale in page.locator("select[name=time_scale] option").all():
        page.select_option("select[name=time_scale]", scale.get_attribute("value"))
        names = page.locator("#sites ~ .choices .choice:visible .textpoint text")
        names.first.wait_for()
        boxes = [name.bounding_box() for name in names.all()]
        assert len(boxes) > 1
        for one, other in combinations(boxes, 2):
            apart_across = one["x"] + one["width"] <= other["x"] or other["x"] + other["width"] <= one["x"]
            apart_up = one["y"] + one["height"] <= other["y"] or other["y"] + other["height"] <= one["y"]
            assert apart_across or apart_up


def test_on_paper_reasons_and_weeks_are_unfolded_and_figures_fit_a_page(watched: Watched, full_report: Path) -> None:
    page = watched.page
    for name, stay_folded in (("planning", 0), ("data", 1)):
        watched.open(full_report / f"{name}.html")
        closed = page.locator("details:not([open])").count()
        assert closed > stay_folded or name == "data"
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        assert page.locator("details:not([open])").count() == stay_folded
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        assert page.locator("details:not([open])").count() == closed

    watched.open(full_report / "comebacks.html")
    page.evaluate("document.querySelector('.plot[data-drawn]').dataset.height = 1200")
    for event, height in (("beforeprint", 880), ("afterprint", 1200)):
        page.evaluate(f"window.dispatchEvent(new Event('{event}'))")
        assert page.evaluate("document.querySelector('.plot[data-drawn]')._fullLayout.height") == height
    assert watched.complaints == []


def test_a_vehicles_page_says_whose_figures_it_shows_and_what_is_due(
    watched: Watched, full_report: Path, tables: dict[str, list[dict[str, Any]]]
) -> None:
    flag = tables["flags"][4]
    watched.open(full_report / page_of(flag["vehicle_id"]))
    page = watched.page
    assert page.locator("#flags .says").all_inner_texts() == [
        f"Due for a look. Left cover, due by 11\u00a0Jul\u00a02026: {flag['reasons']}"
    ]
    assert page.locator(".alarm:visible").count() == 0
    assert page.locator(".masthead .as-of").inner_text() == "Figures as of 30\u00a0Jun\u00a02026"
    assert page.title() == f"{flag['vehicle_id']} – Releak, as of 30\u00a0Jun\u00a02026"
    assert tables["snapshots"][0]["snapshot_id"] in page.locator(".colophon").inner_text()
    assert page.evaluate("window.wasRun === undefined")
    assert watched.complaints == []
    assert watched.asked_outside == []


def test_an_urgent_cover_is_marked_on_its_vehicles_page_with_the_caution_beside_it(
    watched: Watched, full_report: Path, tables: dict[str, list[dict[str, Any]]]
) -> None:
    flag = next(flag for flag in tables["flags"] if "smell_or_drops" in flag["rules"])
    watched.open(full_report / page_of(flag["vehicle_id"]))
    caution, urgent = watched.page.locator(".alarm:visible").all_inner_texts()
    assert caution.startswith("Oil on an exhaust can burn. This vehicle is looked at before it is driven again")
    assert urgent.startswith("Look at this first. ")
    assert urgent.endswith(flag["reasons"])
    assert watched.page.locator("#flags .says").count() == 0
    assert watched.complaints == []
