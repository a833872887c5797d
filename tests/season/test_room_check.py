"""The set-up check as a user meets it: a sound night, and one thing spoiled at a time."""

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
import pytest
from camera.photograph import camera, marker, photograph
from shapely import box
from small_night import Lab, Told

from coverage_lab.errors import ExitCode
from coverage_lab.files.lens import write_lens
from coverage_lab.files.room import write_room
from coverage_lab.room.room import Room as Plan


class Room(NamedTuple):
    """A night before its first exposure, and the command."""

    lab: Lab
    night: Path

    def check(self) -> Told:
        return self.lab.run("room", "check", self.night)

    def spoil_reference(self, change: Callable[[np.ndarray], np.ndarray]) -> None:
        path = self.night / "reference.jpg"
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        cv2.imwrite(str(path), change(picture), [cv2.IMWRITE_JPEG_QUALITY, 95])


@pytest.fixture
def room(lab: Lab) -> Room:
    for frame in lab.night.glob("heron-*.jpg"):
        frame.unlink()
    return Room(lab, lab.night)


def line_of(told: Told, what: str) -> str:
    """The one row of the table about `what`."""
    found = [line for line in told.out.splitlines() if line.split("  ")[0].strip() in STATES and f"  {what}  " in line]
    assert len(found) == 1, told.out
    return found[0]


STATES = ("go", "look", "no-go")


def state_of(told: Told, what: str) -> str:
    return line_of(told, what).split()[0]


def test_sound_set_up_is_a_go(room: Room):
    told = room.check()
    assert told.code == ExitCode.DONE
    assert told.out.splitlines()[-1] == "go"
    assert "4 of 4" in line_of(told, "markers found")
    assert "2 runs to come" in line_of(told, "disk space")
    assert "points" in line_of(told, "heron: uncertainty of coverage")
    assert "bar height to ± 0.5 mm instead of ± 2: −0.0" in told.out
    assert "chest: " in told.out.partition("hidden floor, by what hides it:")[2]
    picture = cv2.imread(str(room.night / "results" / "room-check.png"))
    assert picture.shape[1] > 1500


def test_check_leaves_nothing_that_a_measurement_would_trip_over(lab: Lab):
    assert lab.run("room", "check", lab.night).code == ExitCode.DONE
    told = lab.measure()
    assert told.code == ExitCode.DONE
    assert not [line for line in told.lines if "room-check" in line]


def test_hidden_marker_is_named(room: Room):
    def covered(picture: np.ndarray) -> np.ndarray:
        detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11))
        corners, ids, _ = detector.detectMarkers(picture)
        quad = corners[ids.ravel().tolist().index(2)].reshape(-1, 2)
        return cv2.fillPoly(picture, [quad.astype(np.int32)], 60)

    room.spoil_reference(covered)
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert told.out.splitlines()[-1] == "NO-GO"
    assert "3 of 4" in line_of(told, "markers found")
    assert "apriltag_36h11 2" in told.out


def test_blurred_reference_is_no_go(room: Room):
    room.spoil_reference(lambda picture: cv2.GaussianBlur(picture, (0, 0), 4))
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert state_of(told, "camera") == "no-go"
    assert "markers can be used" in told.out
    assert (room.night / "results" / "room-check.png").is_file()


def test_tape_that_is_wrong_by_a_decimetre_is_told(room: Room):
    table = room.night / "night.toml"
    (height,) = [line for line in table.read_text().splitlines() if line.startswith("height_mm")]
    room.lab.edit(table, height, f"height_mm = {float(height.split('=')[1]) + 100:g}")
    told = room.check()
    assert told.code == ExitCode.NO_GO
    off = line_of(told, "camera height").partition("tape +")[2]
    assert 80 < float(off.split()[0]) < 120
    assert state_of(told, "markers found") == "go"


def test_height_that_only_the_tape_tells_cannot_be_checked(room: Room):
    room.lab.edit(room.night / "night.toml", 'lens = "lens.json"\n', "")
    told = room.check()
    assert state_of(told, "camera height") == "look"
    assert "not checked" in line_of(told, "camera height")


def test_camera_of_unknown_height_and_lens_is_no_go_and_told_what_helps(room: Room):
    table = room.night / "night.toml"
    kept = [one for one in table.read_text().splitlines() if not one.startswith(("height", "lens"))]
    table.write_text("\n".join(kept))
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert state_of(told, "heron: uncertainty of coverage") == "no-go"
    gains = told.out.partition("most:\n")[2].splitlines()
    assert {re.split(r" \(|,", gain.strip())[0] for gain in gains[:2]} == {"a lens file", "camera height by tape"}


def test_robot_without_bar_is_named_and_the_others_are_told(room: Room):
    register = room.lab.season / "robots.toml"
    whole = register.read_text()
    bare = "\n".join(line for line in whole.splitlines() if not line.startswith(("bar_height_mm", "lit_length_mm")))
    register.write_text(whole + bare.replace("[heron]", "[wren]"))
    with (room.night / "runs.csv").open("a") as sheet:
        sheet.write("wren-1,wren,1,wren-1.jpg\n")
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert "lit_length_mm, bar_height_mm" in line_of(told, "wren: bar")
    assert state_of(told, "heron: uncertainty of coverage") == "go"
    assert room.lab.measure().code == ExitCode.BAD_INPUT  # as ever


def test_robot_without_bar_that_stays_at_home_is_no_matter(room: Room):
    register = room.lab.season / "robots.toml"
    register.write_text(
        register.read_text() + "\n[wren]\nbody_diameter_mm = 330\nbody_height_mm = 95\nbar_forward_mm = 0\n"
    )
    assert room.check().code == ExitCode.DONE


def test_robot_that_fits_nowhere_is_told(room: Room):
    def lay_a_sheet(features: list[dict[str, Any]]) -> None:
        (floor,) = (one["geometry"] for one in features if one["properties"]["role"] == "floor")
        low = {"role": "overhang", "name": "sheet", "clearance_m": 0.05, "height_m": 0.06}
        features.append({"type": "Feature", "properties": low, "geometry": floor})

    room.lab.edit_room(lay_a_sheet)
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert "its body fits nowhere" in line_of(told, "heron: floor")


def test_night_without_sheet_looks_at_the_whole_register(room: Room):
    (room.night / "runs.csv").unlink()
    told = room.check()
    assert told.code == ExitCode.DONE
    assert state_of(told, "disk space") == "look"
    assert state_of(told, "heron: uncertainty of coverage") == "go"


def test_full_disk_is_no_go(room: Room, monkeypatch: pytest.MonkeyPatch):
    usage = shutil.disk_usage(room.night)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    told = room.check()
    assert told.code == ExitCode.NO_GO
    assert state_of(told, "disk space") == "no-go"


def test_files_that_make_no_sense_are_bad_input(room: Room, tmp_path: Path):
    told = room.lab.run("room", "check", tmp_path)
    assert told.code == ExitCode.BAD_INPUT
    assert "night.toml: there is no such file" in told.lines[0]
    room.lab.edit(room.night / "night.toml", "reference =", "referense =")
    told = room.check()
    assert told.code == ExitCode.BAD_INPUT
    assert 'Perhaps you meant "reference"' in told.line("referense")
    assert not (room.night / "results").exists()


def test_night_of_picked_corners_without_reference_is_told_what_is_missing(room: Room):
    corners = "".join(
        f"[[camera.corners]]\npixel = [{col}, {row}]\nfloor_mm = [{x}, {y}]\n"
        for col, row, x, y in ((10, 10, 0, 2800), (700, 12, 3600, 2800), (700, 500, 3600, 0), (10, 500, 0, 0))
    )
    table = room.night / "night.toml"
    kept = [one for one in table.read_text().splitlines() if not one.startswith("reference")]
    table.write_text("\n".join(kept) + "\n" + corners)
    told = room.check()
    assert told.code == ExitCode.BAD_INPUT
    assert "a set-up is checked on a lights-on frame" in told.lines[0]


def test_first_exposure_is_looked_at_by_the_analysis_itself(lab: Lab):
    told = lab.run("room", "check", lab.night)
    assert "times the noise" in line_of(told, "heron-1: exposure level")
    assert state_of(told, "heron-1: stray light") == "go"
    assert state_of(told, "heron-1: bar length and height") == "go"
    assert "heron-2" not in told.out  # a robot's first run tells
    assert told.line("heron-1", "measuring its exposure")


def test_exposure_that_is_burnt_or_of_another_bar_is_no_go(lab: Lab):
    lab.edit(lab.season / "robots.toml", "lit_length_mm = 215", "lit_length_mm = 205")
    told = lab.run("room", "check", lab.night)
    assert told.code == ExitCode.NO_GO
    assert state_of(told, "heron-1: bar length and height") == "no-go"
    white = np.full((700, 900), 255, np.uint8)
    size = cv2.imread(str(lab.night / "heron-1.jpg")).shape[:2]
    cv2.imwrite(str(lab.night / "heron-1.jpg"), cv2.resize(white, size[::-1]))
    told = lab.run("room", "check", lab.night)
    assert state_of(told, "heron-1: saturated") == "no-go"


def test_run_with_a_reference_of_its_own_is_looked_at_through_that(lab: Lab):
    shutil.copy(lab.night / "reference.jpg", lab.night / "second.jpg")
    (lab.night / "runs.csv").write_text("run,reference\nheron-1,second.jpg\n")
    assert state_of(lab.run("room", "check", lab.night), "heron-1: stray light") == "go"
    cv2.imwrite(str(lab.night / "second.jpg"), np.full((612, 816), 90, np.uint8))
    told = lab.run("room", "check", lab.night)
    assert told.code == ExitCode.NO_GO
    assert "second.jpg" in told.out.partition("heron-1: exposure: ")[2]


def test_exposure_that_cannot_be_read_does_not_hide_the_rest(lab: Lab):
    (lab.night / "heron-1.jpg").write_bytes((lab.night / "heron-1.jpg").read_bytes()[:3000])
    told = lab.run("room", "check", lab.night)
    assert told.code == ExitCode.NO_GO
    assert state_of(told, "heron-1: exposure") == "no-go"
    assert state_of(told, "heron: uncertainty of coverage") == "go"


@pytest.mark.parametrize(("tilt_deg", "state"), [(15.0, "look"), (1.5, "go")])
def test_camera_that_looks_aside_is_told(lab: Lab, tilt_deg: float, state: str):
    night = lab.season / "tilted"
    night.mkdir()
    spots = ((1.0, 0.8), (3.0, 0.8), (2.8, 1.7), (1.2, 1.7))
    markers = tuple(marker(number, *spot, side_m=0.3) for number, spot in enumerate(spots))
    above = camera(tilt_deg=tilt_deg)
    cv2.imwrite(str(night / "reference.png"), photograph(above, markers))
    write_lens(above.lens, night / "lens.json")
    write_room(Plan(box(0, 0, 4, 3), markers=markers), night / "room.geojson")
    (night / "night.toml").write_text('reference = "reference.png"\nlens = "lens.json"\n[settings]\ncell_mm = 5\n')
    told = lab.run("room", "check", night)
    assert state_of(told, "tilt") == state
    looks_aside = np.degrees(np.arccos(-above.rotation[2, 2]))
    assert float(line_of(told, "tilt").split("°")[0].split()[-1]) == pytest.approx(looks_aside, abs=0.2)
    outside = state_of(told, "hidden floor")
    assert outside == state
    assert ("outside the picture" in told.out.partition("by what hides it:")[2]) == (state == "look")
