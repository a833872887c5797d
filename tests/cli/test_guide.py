"""docs/guide.md, followed from its first command to its last; its pictures are simulated, so the truth is known."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import pytest
import shapely
from drawing import open_drawing
from followed import alike, run_commands
from guided import DOCK_M, DONE_BY_HAND, FLOOR, FURNITURE, LEAK, Hands, Step, follow, sections
from playwright.sync_api import Browser
from shapely import Polygon

from coverage_lab.camera.calibrate import lens_values
from coverage_lab.errors import ExitCode
from coverage_lab.files.lens import read_lens
from coverage_lab.files.room import read_room


@pytest.fixture(scope="module")
def hands(tmp_path_factory: pytest.TempPathFactory) -> Hands:
    return Hands(tmp_path_factory.mktemp("afternoon"))


@pytest.fixture(scope="module")
def steps(hands: Hands) -> list[Step]:
    return follow(hands)


def corners_mm(outline: Polygon) -> list[tuple[float, float]]:
    return [(1000 * x_m, 1000 * y_m) for x_m, y_m in outline.exterior.coords[:-1]]


def measures(hands: Hands, run: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((hands.night / "results" / run / "measures.json").read_text("utf-8"))
    return found


def test_every_pair_of_hands_finds_its_section():
    assert set(DONE_BY_HAND) <= {heading for heading, _ in sections()}


def test_every_command_ends_as_the_page_says(steps: list[Step]):
    assert len(steps) > 8
    commands = "".join(step.commands for step in steps)
    assert {"room markers", "lens", "night new", "room trace", "room check", "measure", "compare"} <= set(
        re.findall(r"^coverage-lab ((?:room |night )?\w+)", commands, re.MULTILINE)
    )
    for step in steps:
        assert step.code == step.says_code, "\n".join([step.commands, *step.printed])
    assert [step.says_code for step in steps].count(1) == 1  # the run that is refused


def test_every_line_is_printed_as_the_page_shows(steps: list[Step]):
    shown = [(line, step) for step in steps for line in step.says]
    assert len(shown) > 8
    for line, step in shown:
        assert any(alike(line, printed) for printed in step.printed), "\n".join([line, *step.printed])


def test_the_first_run_of_the_sheet_is_the_one_that_is_shot_first(steps: list[Step], hands: Hands):
    with (hands.night / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        assert next(csv.DictReader(sheet))["run"] == "wren-1"


def test_the_page_is_drawn_on_in_a_browser(steps: list[Step], hands: Hands, browser: Browser):
    """By the mouse alone, at whole pixels: the numbers that one can type besides are left aside."""
    with browser.new_context(viewport={"width": 1440, "height": 900}, accept_downloads=True) as context:
        drawing = open_drawing(context, hands.folder / "trace.html")
        drawing.outline("floor", *corners_mm(FLOOR))
        for thing in FURNITURE:
            drawing.outline("obstacle", *corners_mm(thing.footprint))
            drawing.write("name", thing.name)
            drawing.write("height", f"{1000 * thing.height_m:.0f}")
        drawing.page.locator("label:has(input[name=role][value=dock])").click()
        drawing.click((1000 * DOCK_M[0], 1000 * DOCK_M[1]))
        assert drawing.mistakes() == []
        room = drawing.room()
    used = read_room(hands.night / "room.geojson")
    assert room.markers == used.markers
    assert shapely.hausdorff_distance(room.floor, used.floor) < 0.006
    assert [(thing.name, thing.height_m) for thing in room.obstacles] == [(one.name, one.height_m) for one in FURNITURE]
    for drawn, thing in zip(room.obstacles, FURNITURE, strict=True):
        assert shapely.hausdorff_distance(drawn.footprint, thing.footprint) < 0.006
    assert room.dock_m == pytest.approx(DOCK_M, abs=0.006)


def test_the_lens_is_known_within_its_spread_and_to_a_thousandth(steps: list[Step], hands: Hands):
    path = hands.night / "lens.json"
    stated, true = lens_values(read_lens(path)), lens_values(hands.camera.lens)
    u = json.loads(path.read_text("utf-8"))["standard_uncertainty"]
    for name in ("fx", "fy", "cx", "cy"):
        assert abs(stated[name] - true[name]) < 3 * u[name], name
    assert stated["fx"] == pytest.approx(true["fx"], rel=1e-3)


def test_the_camera_is_found_where_it_hangs(steps: list[Step], hands: Hands):
    assert measures(hands, "wren-1")["camera"]["centre_m"] == pytest.approx(hands.camera.centre_m, abs=0.01)


@pytest.mark.parametrize("run", ["heron-2", "wren-1"])
def test_the_interval_holds_the_truth(steps: list[Step], hands: Hands, run: str):
    truth = hands.truth(run)["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
    low, high = measures(hands, run)["coverage"]["percent"]["interval_95"]
    assert low <= truth <= high
    assert high - low < 1.5


def test_the_check_foretells_the_uncertainty_that_is_found(steps: list[Step], hands: Hands):
    (check,) = (step for step in steps if "room check" in step.commands)
    foretold = re.search(r"wren: uncertainty of coverage +([\d.]+) points", "\n".join(check.printed))
    assert foretold
    assert float(foretold[1]) == pytest.approx(measures(hands, "wren-1")["coverage"]["percent"]["u"], rel=0.25)


def test_whoever_opens_what_the_page_names_finds_it(steps: list[Step], hands: Hands):
    text = "".join(text for _, text in sections())
    named = set(re.findall(r"`(season-2031/[\w./-]+\.\w+)`", text)) | {"trace.html", "markers.pdf"}
    assert len(named) > 6
    for name in named:
        assert (hands.folder / name).is_file(), name


def test_the_pictures_are_those_of_the_page():
    pictures = re.findall(r"\]\(pictures/(guide-[\w-]+\.png)\)", "".join(text for _, text in sections()))
    folder = Path(__file__).parents[2] / "docs" / "pictures"
    assert sorted(pictures) == sorted(path.name for path in folder.glob("guide-*"))


@pytest.mark.parametrize(("level", "leak"), [(0.001, LEAK), (0.01, 1.0)])
def test_lanes_that_are_lost_in_the_dark_or_in_leaking_light_are_no_missed_floor(
    steps: list[Step], hands: Hands, level: float, leak: float
):
    """Where only turns stand out, a number would be far too low: 9 and 29 % instead of 85 %."""
    table = hands.night / "night.toml"
    table.write_text(table.read_text("utf-8").replace('ambient = "ambient.jpg"\n', ""), "utf-8")
    hands.shoot("wren-2", level, leak)
    code, printed = run_commands("coverage-lab measure season-2031/2031-02-11/wren-2", hands.folder)
    assert code == ExitCode.SOME_FAILED
    assert any("wren-2: refused" in line for line in printed), printed
    assert ("faint", "refused") in {(one["code"], one["level"]) for one in measures(hands, "wren-2")["quality"]}
