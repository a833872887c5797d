"""What a clumsy user does: each mistake gets one line that names file, field and mend, and the right exit code."""

from __future__ import annotations

import errno
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unicodedata import normalize

import cv2
import numpy as np
import pytest
from small_night import Features, Lab

from coverage_lab.errors import ExitCode
from coverage_lab.season import work

Spoil = Callable[[Lab], object]


def of_role(features: Features, role: str) -> list[dict[str, Any]]:
    return [feature for feature in features if feature["properties"]["role"] == role]


def cross_floor(features: Features) -> None:
    ring = of_role(features, "floor")[0]["geometry"]["coordinates"][0]
    ring[1], ring[2] = ring[2], ring[1]


def move_obstacle_out(features: Features) -> None:
    for position in of_role(features, "obstacle")[0]["geometry"]["coordinates"][0]:
        position[0] += 9


def repeat_marker_id(features: Features) -> None:
    first, second, *_ = of_role(features, "marker")
    second["properties"]["id"] = first["properties"]["id"]


def keep_one_marker(features: Features) -> None:
    for marker in of_role(features, "marker")[1:]:
        features.remove(marker)


def in_room(change: Callable[[Features], object]) -> Spoil:
    return lambda lab: lab.edit_room(change)


def in_register(old: str, new: str) -> Spoil:
    return lambda lab: lab.edit(lab.season / "robots.toml", old, new)


def in_night(old: str, new: str) -> Spoil:
    return lambda lab: lab.edit(lab.night / "night.toml", old, new)


def in_sheet(old: str, new: str) -> Spoil:
    return lambda lab: lab.edit(lab.night / "runs.csv", old, new)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        pytest.param(
            in_room(cross_floor), ["room.geojson", "(floor)", "crosses itself", "Put the corners"], id="floor crossed"
        ),
        pytest.param(
            in_room(move_obstacle_out),
            ["room.geojson", '"table leg 1"', "outside the floor", "Correct"],
            id="obstacle outside",
        ),
        pytest.param(
            in_room(repeat_marker_id), ["room.geojson", "(marker 0)", "already", "another"], id="marker id twice"
        ),
        pytest.param(
            in_room(keep_one_marker),
            ["room.geojson", "markers", "described: 1", "Describe 3 markers, or pick corners"],
            id="too few markers and corners",
        ),
        pytest.param(
            in_night('reference = "reference.jpg"\n', ""),
            ["night.toml", "reference", "missing", "camera.corners"],
            id="neither reference nor corners",
        ),
        pytest.param(
            in_register("nozzle_mm = 220", "nozzle_mm = 0.22"),
            ["robots.toml", "heron.nozzle_mm", "looks like metres", "Write 220"],
            id="metres for millimetres",
        ),
        pytest.param(
            in_register("body_diameter_mm = 330", "body_diameter_mm = 13"),
            ["robots.toml", "heron.body_diameter_mm", "inches", "330.2"],
            id="inches for millimetres",
        ),
        pytest.param(
            in_register("bar_height_mm = 95", "bar_height_mm = 3000"),
            ["robots.toml", "heron.bar_height_mm", "above the camera", "Correct"],
            id="bar above the camera",
        ),
        pytest.param(
            in_sheet("heron-1,heron,", "heron-1,hron,"),
            ["runs.csv", "row 2, column robot", '"hron"', '"heron"'],
            id="robot not in the register",
        ),
        pytest.param(
            in_night("height_tolerance_mm", "heigth_tolerance_mm"),
            ["night.toml", "camera.heigth_tolerance_mm", "not a known key", '"height_tolerance_mm"'],
            id="key misspelt",
        ),
        pytest.param(
            in_night('"reference.jpg"', '"../../reference.jpg"'),
            ["night.toml", "reference", "leaves the folder", "Copy the file"],
            id="path leaves the season",
        ),
        pytest.param(
            in_sheet("heron-1.jpg", "../../heron-1.jpg"),
            ["runs.csv", "row 2, column frames", "leaves the night", "Name pictures inside"],
            id="frames leave the night",
        ),
        pytest.param(
            in_sheet("heron-1.jpg", "heron-11.jpg"),
            ["runs.csv", "row 2, column frames", '"heron-11.jpg"', '"heron-1.jpg"'],
            id="no such frame",
        ),
    ],
)
def test_files_that_make_no_sense(lab: Lab, spoil: Spoil, words: list[str]):
    spoil(lab)
    told = lab.measure()
    assert told.code == ExitCode.BAD_INPUT
    assert len(told.lines) == 1
    told.line(*words)
    assert not (lab.night / "results").exists()


def test_mistakes_of_all_files_and_nights_at_once(lab: Lab):
    shutil.copytree(lab.night, lab.season / "2031-02-12")
    lab.edit_room(cross_floor)
    in_sheet("heron-1.jpg", "heron-11.jpg")(lab)
    (lab.season / "2031-02-12" / "room.geojson").unlink()
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    assert len(told.lines) == 3
    told.line("2031-02-12", "room.geojson", "there is no")


def shoot(lab: Lab, change: Callable[[np.ndarray], np.ndarray], name: str = "heron-1.jpg") -> None:
    path = str(lab.night / name)
    picture = cv2.imread(path)
    assert picture is not None
    assert cv2.imwrite(path, change(picture))


def cut_off(lab: Lab) -> None:
    frame = lab.night / "heron-1.jpg"
    content = frame.read_bytes()
    frame.write_bytes(content[: len(content) // 2])


def contains(content: bytes) -> Spoil:
    return lambda lab: (lab.night / "heron-1.jpg").write_bytes(content)


def claims(width: int, height: int) -> Spoil:
    """Make the frame's header claim another size; nothing else changes."""

    def spoil(lab: Lab) -> None:
        frame = lab.night / "heron-1.jpg"
        content = bytearray(frame.read_bytes())
        at = content.index(b"\xff\xc0") + 5
        content[at : at + 4] = height.to_bytes(2, "big") + width.to_bytes(2, "big")
        frame.write_bytes(content)

    return spoil


@pytest.mark.parametrize(
    ("spoil", "verdict", "words"),
    [
        pytest.param(cut_off, "failed", ["cannot be decoded whole", "Copy it from the camera again"], id="cut off"),
        pytest.param(contains(b""), "failed", ["the file is empty", "Copy it"], id="empty"),
        pytest.param(contains(b"Dear diary,"), "failed", ["is not a JPEG", "Export"], id="text named .jpg"),
        pytest.param(claims(0, 0), "failed", ["claims no pixels", "Copy it"], id="no pixels"),
        pytest.param(claims(65500, 65500), "failed", ["65500 × 65500", "the limit is 250 million"], id="gigantic"),
        pytest.param(
            lambda lab: shoot(lab, lambda picture: picture[:-20]),
            "failed",
            ["816 × 592", "reference.jpg is 816 × 612", "at one size"],
            id="cropped exposure",
        ),
        pytest.param(
            lambda lab: shoot(lab, np.zeros_like),
            "refused",
            ["no trail", "bar was on", "shoot again"],
            id="black",
        ),
        pytest.param(
            lambda lab: shoot(lab, lambda picture: np.full_like(picture, 128)),
            "refused",
            ["no trail", "bar was on", "shoot again"],
            id="evenly grey",
        ),
        pytest.param(
            lambda lab: shoot(lab, lambda picture: np.full_like(picture, 255)),
            "refused",
            ["burnt out", "stop down", "shoot again"],
            id="white",
        ),
    ],
)
def test_a_night_goes_on_past_a_bad_run(lab: Lab, spoil: Spoil, verdict: str, words: list[str]):
    spoil(lab)
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line(f"2031-02-11/heron-1: {verdict}: heron-1.jpg: ", *words)
    told.line("2031-02-11/heron-2: measured: ")
    stored = lab.measures()
    assert stored["verdict"] == verdict
    assert stored["coverage"] is None
    assert stored["reason"].startswith("heron-1.jpg: ")
    assert lab.measures("heron-2")["coverage"]["percent"]["value"] == pytest.approx(90, abs=2)
    summary = (lab.night / "results" / "summary.csv").read_text(encoding="utf-8").splitlines()
    assert [row.split(",")[0] for row in summary[1:]] == ["2031-02-11/heron-1", "2031-02-11/heron-2"]


@pytest.mark.parametrize(("value", "code"), [(0, "no-trail"), (255, "saturated")])
def test_why_a_picture_is_refused_is_a_code(lab: Lab, value: int, code: str):
    shoot(lab, lambda picture: np.full_like(picture, value))
    lab.measure(lab.night / "heron-1")
    assert [(remark["code"], remark["level"]) for remark in lab.measures()["quality"]][-1] == (code, "refused")
    assert (lab.night / "results" / "heron-1" / "overlay.png").is_file()


def test_a_run_that_gets_worse_keeps_no_old_numbers(done: Lab):
    cut_off(done)
    done.measure(done.night / "heron-1")
    folder = done.night / "results" / "heron-1"
    assert sorted(path.name for path in folder.iterdir()) == ["earlier", "made.json", "measures.json"]
    assert done.measures()["verdict"] == "failed"


def test_a_marker_in_the_frame_but_not_in_the_room(lab: Lab):
    lab.edit_room(lambda features: features.remove(of_role(features, "marker")[0]))
    told = lab.measure(lab.night / "heron-1")
    assert told.code == ExitCode.DONE
    told.line("measured", "marker-missing", "apriltag_36h11 0", "not in the room file", "describe it")


def test_a_marker_in_the_room_but_not_in_the_frame(lab: Lab):
    def add(features: Features) -> None:
        marker = of_role(features, "marker")[0]
        properties, geometry = marker["properties"] | {"id": 77}, {"type": "Point", "coordinates": [1.8, 1.4]}
        features.append(marker | {"properties": properties, "geometry": geometry})

    lab.edit_room(add)
    told = lab.measure(lab.night / "heron-1")
    assert told.code == ExitCode.DONE
    told.line("measured", "marker-missing", "apriltag_36h11 77", "not seen", "take it out of the room file")


def test_too_few_markers_in_the_frame(lab: Lab):
    shoot(lab, np.zeros_like, "reference.jpg")
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("heron-1: refused: reference.jpg: reference: 0 of 4 markers", "Re-shoot", "pick corners")


def test_reference_frame_of_another_size(lab: Lab):
    shoot(lab, lambda picture: picture[:-20], "reference.jpg")
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("heron-1: failed: lens.json: lens: is for pictures of 816 × 612 pixels, not 816 × 592", "Calibrate")
    in_night('lens = "lens.json"\n', "")(lab)
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("heron-1: failed: heron-1.jpg: is 816 × 612 pixels, reference.jpg is 816 × 592", "uncropped")


def test_orientation_tags_change_nothing(done: Lab):
    plain = done.measures()
    for name, orientation in (("reference.jpg", 3), ("heron-1.jpg", 6)):
        path = done.night / name
        # One EXIF entry (CIPA DC-008): tag 0x0112, type SHORT, count 1.
        entry = b"\x01\x12\x00\x03\x00\x00\x00\x01" + bytes([0, orientation, 0, 0])
        exif = b"Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01" + entry + b"\x00" * 4
        segment = b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
        content = path.read_bytes()
        path.write_bytes(content[:2] + segment + content[2:])
        turned = cv2.imread(str(path))
        assert turned is not None
        assert (turned.shape[0] > turned.shape[1]) == (orientation == 6)
    told = done.measure()
    assert told.code == ExitCode.DONE
    assert done.measures() == plain


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_names_with_spaces_umlauts_and_quotes(lab: Lab, form: str):
    name = 'Küche "groß" 1.jpg'
    (lab.night / "heron-1.jpg").rename(lab.night / normalize(form, name))
    in_sheet("heron-1.jpg", '"Küche ""groß"" 1.jpg"')(lab)
    moved = lab.season.rename(lab.season.with_name(normalize(form, "Prüfung Nr. 1")))
    told = lab.measure(moved / "2031-02-11")
    assert told.code == ExitCode.DONE
    assert (moved / "2031-02-11" / "results" / "heron-1" / "overlay.png").is_file()


def test_a_path_out_of_the_season_is_no_run_id(lab: Lab):
    in_sheet("heron-1,heron", "../heron-1,heron")(lab)
    told = lab.measure()
    assert told.code == ExitCode.BAD_INPUT
    told.line("runs.csv", "row 2, column run", "../heron-1")


def test_results_cannot_be_stored(lab: Lab):
    (lab.night / "results").mkdir()
    (lab.night / "results" / "heron-1").write_text("I am a file")
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("heron-1: failed: results/heron-1: is a file", "Move it away")
    told.line("heron-2: measured")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, ["the disk is full", "Free some space"]),
        (errno.EROFS, ["the folder is read-only", "Allow writing"]),
        (errno.EACCES, ["the folder is read-only", "Allow writing"]),
    ],
)
def test_disk_that_does_not_take_it(done: Lab, number: int, words: list[str]):
    before = {path: path.read_bytes() for path in (done.night / "results").rglob("*") if path.is_file()}

    def fail(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    done.monkeypatch.setattr(os, "fsync", fail)
    told = done.measure("--again", done.night)
    assert told.code == ExitCode.SOME_FAILED
    for run in ("heron-1", "heron-2"):
        told.line(f"2031-02-11/{run}: failed: results/.staging/{run}/", *words)
    assert {path: path.read_bytes() for path in (done.night / "results").rglob("*") if path.is_file()} == before


def test_interrupted(lab: Lab):
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    lab.monkeypatch.setattr(work, "measure", interrupt)
    told = lab.measure()
    assert told.code == ExitCode.INTERRUPTED
    told.line("stopped", "measure again")


def test_a_mistake_of_ours_is_named_and_the_night_goes_on(lab: Lab):
    measure = work.measure

    def stumble(run: Any, setting: Any) -> Any:
        if run.id == "heron-1":
            raise ZeroDivisionError("by zero")
        return measure(run, setting)

    lab.monkeypatch.setattr(work, "measure", stumble)
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("heron-1: failed: ZeroDivisionError: by zero (test_bad_input.py", "report it")
    told.line("heron-2: measured")


def test_results_of_another_version_do_not_spoil_the_pass(lab: Lab):
    old = lab.night / "results" / "heron-9" / "measures.json"
    old.parent.mkdir(parents=True)
    old.write_text("{}", encoding="utf-8")
    told = lab.measure()
    assert told.code == ExitCode.SOME_FAILED
    told.line("results/heron-9/measures.json: schema", "Measure the run again")
    told.line("2 measured")


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("nowhere", ["nowhere", "no such folder", "Give a night"]),
        ("robots.toml", ["robots.toml", "is a file", "Give a night"]),
        ("2031-02-11/herom-1", ["2031-02-11", "herom-1", "no run of this night", '"heron-1"']),
    ],
)
def test_paths_that_lead_nowhere(lab: Lab, path: str, words: list[str]):
    told = lab.measure(lab.season / path)
    assert told.code == ExitCode.BAD_INPUT
    assert len(told.lines) == 1
    told.line(*words)


def test_usage(lab: Lab):
    assert lab.run("measure").code == ExitCode.BAD_INPUT
    told = lab.run("measure", "--jsn", lab.night)
    assert told.code == ExitCode.BAD_INPUT
    assert "--json" in re.sub(r"\s+", " ", " ".join(told.lines))


def test_simulate_does_not_write_over_a_night(lab: Lab):
    told = lab.run("simulate", "--out", lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("2031-02-11", "is there already", "Choose another folder")


def test_a_season_folder_may_be_empty(lab: Lab, tmp_path: Path):
    empty = tmp_path / "empty"
    empty.mkdir()
    told = lab.measure(empty)
    assert told.code == ExitCode.BAD_INPUT
    told.line("empty", "there is no night.toml", "Give the folder")
