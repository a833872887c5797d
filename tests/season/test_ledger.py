"""What counts as done: exactly what still follows from the files that lie there."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.errors import ExitCode
from coverage_lab.season import ledger
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.wanted import look_through

KEPT = ("measures.json", "plan.npz", "pockets.geojson", "overlay.png")


@pytest.fixture(scope="module")
def two_robots(small_results: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the measured season with a second robot, measured too; copy it before you change it."""
    season = Path(shutil.copytree(small_results, tmp_path_factory.mktemp("two-robots") / "season-2031"))
    night = season / "2031-02-11"
    shutil.copy(night / "heron-1.jpg", night / "wren-1.jpg")
    register = season / "robots.toml"
    text = register.read_text(encoding="utf-8")
    register.write_text(f"{text}\n{text.replace('[heron]', '[wren]')}", encoding="utf-8")
    with (night / "runs.csv").open("a", encoding="utf-8") as sheet:
        sheet.write("wren-1,wren,1,wren-1.jpg\n")
    from coverage_lab.season.batch import measure_all

    told: list[str] = []
    measure_all(look_through(find_jobs([season])), lambda outcome: told.append(outcome.verdict))
    assert told == ["measured"]
    return season


@pytest.fixture
def done(two_robots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Lab:
    return Lab(Path(shutil.copytree(two_robots, tmp_path / "season-2031")), monkeypatch, capsys)


def reasons(lab: Lab, **how: bool) -> dict[str, str]:
    (wanted,) = look_through(find_jobs([lab.season]), **how)
    return wanted.reasons


def stamp(path: Path) -> tuple[int, int]:
    return path.stat().st_size, path.stat().st_mtime_ns


def append(path: Path, content: str) -> None:
    with path.open("a", encoding="utf-8") as stream:
        stream.write(content)


def test_what_is_done_is_left_alone_and_said_so(done: Lab):
    before = {path: stamp(path) for path in done.night.glob("results/**/*") if path.is_file()}
    told = done.measure(done.season)
    assert told.code == ExitCode.DONE
    assert told.lines == ["nothing new to do"]
    assert {path: stamp(path) for path in before} == before


def test_again_measures_what_is_done(done: Lab):
    told = done.measure("--again", done.night / "wren-1")
    assert told.lines[-1] == "1 measured, 0 refused, 0 failed"
    told.line("wren-1: measured")


def test_another_bar_height_concerns_that_robot_only(done: Lab):
    wren = (done.season / "robots.toml").read_text(encoding="utf-8").partition("[wren]")
    line = next(line for line in wren[2].splitlines() if line.startswith("bar_height_mm"))
    height_mm = float(line.partition("=")[2].split("#")[0])
    changed = wren[2].replace(line, f"bar_height_mm = {height_mm + 3}")
    (done.season / "robots.toml").write_text("".join((*wren[:2], changed)), encoding="utf-8")
    assert reasons(done) == {"wren-1": "changed: robot"}


@pytest.mark.parametrize(
    ("name", "text", "runs", "what"),
    [
        ("room.geojson", "\n", {"heron-1", "heron-2", "wren-1"}, "room"),
        ("lens.json", "\n", {"heron-1", "heron-2", "wren-1"}, "lens"),
        ("reference.jpg", "more", {"heron-1", "heron-2", "wren-1"}, "reference"),
        ("heron-2.jpg", "more", {"heron-2"}, "heron-2.jpg"),
    ],
)
def test_changed_files(done: Lab, name: str, text: str, runs: set[str], what: str):
    append(done.night / name, text)
    assert reasons(done) == dict.fromkeys(runs, f"changed: {what}")


def test_changed_settings(done: Lab):
    done.edit(done.night / "night.toml", "cell_mm = 4", "cell_mm = 5")
    assert set(reasons(done).values()) == {"changed: settings"}


def test_a_new_dark_frame(done: Lab):
    shutil.copy(done.night / "reference.jpg", done.night / "dark.jpg")
    done.edit(done.night / "night.toml", "reference =", 'dark = "dark.jpg"\nreference =')
    assert set(reasons(done).values()) == {"changed: dark"}


def test_a_raised_method(done: Lab):
    done.monkeypatch.setattr(ledger, "METHOD", ledger.METHOD + 1)
    assert set(reasons(done).values()) == {"changed: method"}


def test_conditions_belong_to_the_results(done: Lab):
    done.edit(done.night / "runs.csv", "wren-1,wren,1,", "wren-1,wren,7,")
    assert reasons(done) == {"wren-1": "changed: run"}


@pytest.mark.parametrize(
    ("column", "cell", "decides"),
    [("duration_min", "40", True), ("contact_seen", "vase", True), ("floor", "oak", True), ("note", "windy", False)],
)
def test_what_a_row_says_decides_but_for_its_note(done: Lab, column: str, cell: str, decides: bool):
    sheet = done.night / "runs.csv"
    header, *rows = sheet.read_text(encoding="utf-8").splitlines()
    names = header.split(",")
    rows = [row + "," * (len(names) - 1 - row.count(",")) + "," for row in rows]
    rows[-1] += cell
    sheet.write_text("\n".join([f"{header},{column}", *rows, ""]), encoding="utf-8")
    assert reasons(done) == ({"wren-1": "changed: run"} if decides else {})


def test_versions_do_not_decide(done: Lab):
    made = done.night / "results" / "heron-1" / "made.json"
    done.edit(made, '"python": "', '"python": "9.')
    assert reasons(done) == {}


def test_only_verify_notices_a_change_that_keeps_size_and_time_stamp(done: Lab):
    frame = done.night / "heron-1.jpg"
    facts = frame.stat()
    content = bytearray(frame.read_bytes())
    content[-40] ^= 1
    frame.write_bytes(content)
    os.utime(frame, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert reasons(done) == {}
    ledger._read_sha256.cache_clear()
    assert reasons(done, verify=True) == {"heron-1": "changed: heron-1.jpg"}


def test_nothing_is_read_that_did_not_change(done: Lab):
    done.monkeypatch.setattr(ledger, "_read_sha256", lambda path, stamp: pytest.fail(f"{path} was read"))
    assert reasons(done) == {}


def test_the_same_content_with_another_time_stamp_is_done(done: Lab):
    (done.night / "heron-1.jpg").touch()
    assert reasons(done) == {}


def test_a_season_that_was_moved_is_done(done: Lab, tmp_path: Path):
    shutil.move(done.season, tmp_path / "elsewhere")
    (wanted,) = look_through(find_jobs([tmp_path / "elsewhere"]))
    assert wanted.reasons == {}


@pytest.mark.parametrize("name", KEPT)
def test_results_that_are_not_whole_are_made_again(done: Lab, name: str):
    (done.night / "results" / "heron-1" / name).unlink()
    assert reasons(done) == {"heron-1": f"{name} is gone"}


def test_broken_or_missing_facts_of_making(done: Lab):
    results = done.night / "results"
    (results / "heron-1" / "made.json").write_text("{", encoding="utf-8")
    done.edit(results / "heron-2" / "made.json", '"digest": "', '"digest": "0')
    (results / "wren-1" / "made.json").write_text('{"method": 1}', encoding="utf-8")
    assert reasons(done) == {
        "heron-1": "new",
        "heron-2": "changed: what its results say of themselves",
        "wren-1": "made by an earlier version",
    }


def test_refused_is_done_and_failed_is_tried_again(done: Lab):
    (done.night / "heron-1.jpg").write_bytes((done.night / "heron-1.jpg").read_bytes()[:-500])
    shutil.copy(done.night / "reference.jpg", done.night / "heron-2.jpg")
    told = done.measure()
    told.line("heron-1: failed: heron-1.jpg: cannot be decoded whole")
    told.line("heron-2: refused")
    assert told.lines[-1] == "0 measured, 1 refused, 1 failed, 1 done before"
    assert reasons(done) == {"heron-1": "failed before"}
    made = json.loads((done.night / "results" / "heron-2" / "made.json").read_text(encoding="utf-8"))
    assert made["verdict"] == "refused"
    assert sorted(path.name for path in (done.night / "results" / "heron-2").iterdir()) == sorted(
        ["earlier", "made.json", *made["files"]]
    )


def test_a_night_without_a_camera_is_refused_once(done: Lab):
    black = done.night / "reference.jpg"
    shutil.copy(done.night / "heron-1.jpg", black)
    assert done.measure().lines[-1] == "0 measured, 3 refused, 0 failed"
    assert done.measure().lines == ["nothing new to do"]
