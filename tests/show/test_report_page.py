"""The report page of a made-up season, in a real browser."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from made_up_seasons import ROBOTS, write_season
from playwright.sync_api import Browser, Page, Route

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.files.measures import measures_from_json, measures_to_json, read_measures, to_bytes
from coverage_lab.measures.uncertainty import quantity
from coverage_lab.measures.values import GrowthPoint, MostDriven, Passes, Timing
from coverage_lab.season.comparing import Wanted, compare_season
from coverage_lab.season.index import open_index
from coverage_lab.season.report import write_report
from coverage_lab.season.reviewing import review_run
from coverage_lab.show.report.page import interval_of

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    '=HYPERLINK("https://example.invalid")',
    "long" * 50,
    "\u202eevil\u202c שלום",
)


def timed(season: Path, minutes: float) -> None:
    """Give every run of the season a time: these results are made up, and so is their growth."""
    for at, path in enumerate(sorted(season.glob("*/results/*/measures.json"))):
        run = measures_from_json(read_measures(path))
        final = run.coverage.percent.value
        t_s = np.linspace(0, 60 * (minutes + at % 5), 21)[1:]
        growth = tuple(
            GrowthPoint(float(t), float(final * (1 - np.exp(-3 * t / t_s[-1])) / (1 - np.exp(-3))), 0.2) for t in t_s
        )
        timing = Timing(float(t_s[-1]), 5.0, "frames", 20, growth, {"80": 400.0}, 1.0, 0.0, None, None, None)
        often = MostDriven((1.25, 0.5), 180.0, quantity(420.0, 40.0), 6.4)
        passes = Passes("frames", None, {"once": 40.0, "twice": 30.0, "more": 15.0}, 30.0, (often,))
        path.write_bytes(to_bytes(measures_to_json(replace(run, timing=timing, passes=passes))))
        overlay = np.full((900, 1400, 3), 40 + at * 3, np.uint8)
        cv2.imwrite(str(path.with_name("overlay.png")), overlay)
        cv2.imwrite(str(path.with_name("growth.png")), overlay[:700, :1000])


def compared(season: Path) -> Comparison:
    with open_index(season) as index:
        (found,) = compare_season(index, Wanted(reference="heron"))
    return found


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "season-2031"
    write_season(folder, ROBOTS[5:11])
    timed(folder, 20)
    review_run(folder / "2031-02-11" / "knot-1", "refused", "a chair was moved", "mk")
    return folder


@pytest.fixture(scope="module")
def report(season: Path) -> Path:
    return write_report(compared(season), season, season / "comparison")[0]


@dataclass
class Opened:
    page: Page
    noises: list[str] = field(default_factory=list)  # console messages, page errors, requests that left the folder


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Opened]]:
    contexts = []

    def open_(path: Path, width: int = 1440, **context: bool) -> Opened:
        made = browser.new_context(viewport={"width": width, "height": 900}, **context)
        contexts.append(made)
        opened = Opened(made.new_page())

        def watch(route: Route) -> None:
            if not route.request.url.startswith(("data:", path.parent.parent.as_uri())):
                opened.noises.append(route.request.url)
            route.continue_()

        opened.page.route("**/*", watch)
        opened.page.on("console", lambda message: opened.noises.append(message.text))
        opened.page.on("pageerror", lambda error: opened.noises.append(str(error)))
        opened.page.on("dialog", lambda dialog: (opened.noises.append(dialog.message), dialog.dismiss()))
        opened.page.goto(path.as_uri())
        return opened

    yield open_
    for made in contexts:
        made.close()


def shown_runs(page: Page) -> list[str]:
    return page.locator("#table tbody tr:visible th").all_text_contents()


def colours_of(picture: np.ndarray) -> int:
    """How many colours a picture (rows, cols, 3) of bytes has; quick also for a page of many million pixels."""
    blue, green, red = (picture[..., channel].ravel().astype(np.intp) for channel in range(3))
    return np.count_nonzero(np.bincount(blue << 16 | green << 8 | red))


@pytest.mark.parametrize("width", [1440, 390])
def test_everybody_can_use_it_and_nothing_leaves_it(
    report: Path, open_page: Callable[..., Opened], width: int, tmp_path: Path
):
    opened = open_page(report, width)
    found = Axe().run(opened.page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.page.locator("figure img").count() >= 5
    for picture in opened.page.locator("img[src^=data]").all():
        assert picture.evaluate("(img) => img.decode().then(() => img.naturalWidth)") > 100
        assert picture.get_attribute("alt")
    opened.page.screenshot(path=tmp_path / "page.png", full_page=True)
    assert colours_of(cv2.imread(str(tmp_path / "page.png"))) > 100
    assert opened.noises == []


def test_says_in_words_who_is_best_and_who_cannot_be_told_apart(
    season: Path, report: Path, open_page: Callable[..., Opened]
):
    words = open_page(report).page.inner_text("#summary")
    assert f"{compared(season).robots[0].robot} covered most" in words
    assert "cannot be told apart" in words
    assert "Left out: 1 run, each listed with its reason" in words


def test_no_coverage_stands_without_its_interval(season: Path, report: Path, open_page: Callable[..., Opened]):
    page = open_page(report).page
    first = compared(season).runs[0]
    low, high = interval_of(first, HEADLINE)
    assert low < first.values[HEADLINE] < high
    words = f"{low:.1f} to {high:.1f}"
    assert words in page.locator("article.card", has_text=first.key).inner_text()
    assert words in page.locator("#table tbody tr", has_text=first.key).inner_text()


def test_refused_runs_stay_listed_with_their_reason(report: Path, open_page: Callable[..., Opened]):
    page = open_page(report).page
    row = page.locator("#table tbody tr", has_text="2031-02-11/knot-1")
    assert "a chair was moved" in row.inner_text()
    assert "refused" in row.inner_text()


def test_sorts_by_number_both_ways_and_by_keyboard(report: Path, open_page: Callable[..., Opened]):
    page = open_page(report).page
    head = page.locator("#table thead th", has_text="Missed pockets")
    column = page.locator("#table thead th").all_text_contents().index(head.text_content() or "")

    def numbers() -> list[float]:
        cells = [row.locator("th, td").nth(column) for row in page.locator("#table tbody tr").all()]
        return [float(cell.inner_text().split()[0]) for cell in cells]

    head.locator("button").focus()
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    assert numbers() == sorted(numbers())
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "descending"
    assert numbers() == sorted(numbers(), reverse=True)


def test_filters_by_robot_night_and_quality(report: Path, open_page: Callable[..., Opened]):
    page = open_page(report).page
    assert len(shown_runs(page)) == 18
    page.select_option("[data-filter=robot]", "heron")
    assert shown_runs(page) == [f"2031-02-1{night}/heron-{night}" for night in (1, 2, 3)]
    page.select_option("[data-filter=night]", "2031-02-12")
    assert shown_runs(page) == ["2031-02-12/heron-2"]
    assert page.inner_text("#count") == "1 of 18 runs"
    page.select_option("[data-filter=robot]", "")
    page.select_option("[data-filter=night]", "")
    page.fill("[data-filter=quality]", "no such code")
    assert shown_runs(page) == []


def test_enlarges_a_picture_and_closes_by_escape(report: Path, open_page: Callable[..., Opened]):
    opened = open_page(report)
    link = opened.page.locator("a.enlarge").first
    link.focus()
    opened.page.keyboard.press("Enter")
    assert (
        opened.page.locator("dialog[open] img").evaluate("(img) => img.decode().then(() => img.naturalWidth)") == 1400
    )
    opened.page.keyboard.press("Escape")
    assert opened.page.locator("dialog[open]").count() == 0
    assert link.evaluate("(link) => link === document.activeElement")
    assert opened.noises == []


def test_a_runs_growth_is_a_click_away(report: Path, open_page: Callable[..., Opened]):
    opened = open_page(report)
    opened.page.get_by_role("link", name="How its coverage grew").first.click()
    large = opened.page.locator("dialog[open] img")
    assert large.evaluate("(img) => img.decode().then(() => img.naturalWidth)") == 1000
    assert "How its coverage grew" in (large.get_attribute("alt") or "")
    assert opened.noises == []


def test_works_without_scripts(report: Path, open_page: Callable[..., Opened]):
    page = open_page(report, java_script_enabled=False).page
    assert page.locator("#table tbody tr").count() == 18
    assert not page.locator("#filters").is_visible()
    assert page.locator("article img").count() == 18


def test_prints_to_a4(report: Path, open_page: Callable[..., Opened], tmp_path: Path):
    open_page(report).page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True)
    facts = subprocess.run(["pdfinfo", tmp_path / "report.pdf"], capture_output=True, text=True, check=True).stdout
    assert "A4" in facts
    subprocess.run(["pdftoppm", "-r", "40", "-png", tmp_path / "report.pdf", tmp_path / "page"], check=True)
    printed = [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(tmp_path.glob("page*.png"))]
    assert len(printed) > 2
    for sheet in printed:
        dark = sheet < 200
        assert dark[:, :8].sum() == dark[:, -8:].sum() == 0  # nothing is cut at the sides
    assert printed[0].min() < 90


def test_names_of_any_kind_change_nothing(tmp_path: Path, open_page: Callable[..., Opened]):
    season = tmp_path / "season-2031"
    write_season(season, ROBOTS[:4], repeats=2)
    plain = compared_all(season)
    names = dict(zip(ROBOTS[:4], HOSTILE, strict=True))
    renamed = replace(
        plain,
        season='season "<b>2031</b>"',
        runs=tuple(
            replace(run, robot=names[run.robot], review_reason="<script>alert(2)</script>") for run in plain.runs
        ),
        robots=tuple(replace(robot, robot=names[robot.robot]) for robot in plain.robots),
        warnings=("<img src=x onerror=alert(3)>",),
    )
    opened = open_page(write_report(renamed, season, season / "comparison")[0], 390)
    assert opened.noises == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 390
    for name in HOSTILE:
        assert any(name in text for text in opened.page.locator("#ranking bdi").all_text_contents())
    assert opened.page.locator("#summary img, #summary b").count() == 0


def compared_all(season: Path) -> Comparison:
    with open_index(season) as index:
        (found,) = compare_season(index, Wanted())
    return found


def test_a_results_folder_that_was_moved_is_told(tmp_path: Path, open_page: Callable[..., Opened]):
    season = tmp_path / "season-2031"
    write_season(season, ROBOTS[:2], repeats=2)
    found = compared_all(season)
    (season / "2031-02-11").rename(tmp_path / "elsewhere")
    page = open_page(write_report(found, season, season / "comparison")[0]).page
    assert "Its picture is missing" in page.inner_text("#robots")
    assert page.locator("#table tbody tr").count() == 4


def test_one_robot_without_repeats_and_nothing_to_compare(tmp_path: Path, open_page: Callable[..., Opened]):
    season = tmp_path / "season-2031"
    write_season(season, ROBOTS[:1], repeats=1)
    opened = open_page(write_report(compared_all(season), season, season / "comparison")[0])
    assert "Compared: 1 run of 1 robot," in opened.page.inner_text("#summary")
    assert "* of one run: the measuring alone" in opened.page.inner_text("#robots")
    review_run(season / "2031-02-11" / "avocet-1", "refused", "blurred", "mk")
    opened = open_page(write_report(compared_all(season), season, season / "comparison")[0])
    assert "No run is left to compare" in opened.page.inner_text("main")
    assert opened.noises == []


def test_equal_comparisons_give_equal_pages_and_small_pictures_are_drawn_once(season: Path, report: Path):
    first = report.read_bytes()
    kept = {path: path.stat().st_mtime_ns for path in (report.parent / "thumbnails").iterdir()}
    assert len(kept) >= 15
    write_report(compared(season), season, season / "comparison")
    assert report.read_bytes() == first
    assert {path: path.stat().st_mtime_ns for path in kept} == kept


def test_what_a_run_adds_to_the_page_lets_nine_hundred_stay_below_25_mb(tmp_path: Path):
    sizes = {}
    for robots in (3, 6):
        season = tmp_path / str(robots) / "season-2031"
        write_season(season, ROBOTS[5 : 5 + robots])
        found = replace(compared_all(season), robots=())  # without charts, of which there is a fixed number
        sizes[robots] = write_report(found, season, season / "comparison")[0].stat().st_size
    assert (sizes[6] - sizes[3]) / 9 * 900 < 20_000_000


def test_the_most_driven_places_of_a_run_are_listed_with_their_intervals(report: Path):
    text = report.read_text(encoding="utf-8")
    assert "Most driven places: 1" in text
    for cell in ("6.4", "1.25", "0.50", "342 to 498"):
        assert f'<td class="n">{cell}</td>' in text
