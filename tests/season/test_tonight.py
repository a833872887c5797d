"""What is planned for a night, and whether it fits on the disk."""

import shutil
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.errors import BadInput
from coverage_lab.files.night import read_night
from coverage_lab.season.tonight import disk_line, first_runs, tonight


@pytest.fixture
def to_come(lab: Lab) -> Path:
    """The night after the small one: its papers and reference are there, its runs are not."""
    night = lab.season / "2031-02-13"
    shutil.copytree(lab.night, night, ignore=shutil.ignore_patterns("heron-*"))
    (night / "runs.csv").write_text("run,robot,use\nheron-1,heron,\nheron-2,heron,\nheron-3,heron,\nheron-4,heron,no\n")
    return night


def test_runs_to_come_are_those_of_the_sheet_without_frames(to_come: Path, lab: Lab):
    plan = tonight(read_night(to_come), ())
    assert plan.robots == ("heron",)
    assert plan.still_to_come == 3
    assert plan.there == ()
    shutil.copy(lab.night / "heron-1.jpg", to_come / "heron-2.jpg")
    plan = tonight(read_night(to_come), ())
    assert plan.still_to_come == 2
    assert [run.id for run in plan.there] == ["heron-2"]


def test_frames_are_as_in_the_night_before(to_come: Path, lab: Lab, monkeypatch: pytest.MonkeyPatch):
    night = read_night(to_come)
    need = 3 * (lab.night / "heron-1.jpg").stat().st_size
    usage = shutil.disk_usage(to_come)
    for free, state in ((need + 1, "go"), (need, "no-go")):
        monkeypatch.setattr(shutil, "disk_usage", lambda _, free=free: usage._replace(free=free))
        line = disk_line(night, tonight(night, ()))
        assert line.state == state
        assert "3 frames as in 2031-02-11" in line.value


def test_without_a_night_before_a_frame_is_as_large_as_the_reference(to_come: Path, lab: Lab):
    shutil.rmtree(lab.night)
    night = read_night(to_come)
    assert "3 frames at the least, as large as the reference" in disk_line(night, tonight(night, ())).value


def test_sheet_without_frames_of_an_unmeasured_robot_still_tells_who_drives(to_come: Path):
    with (to_come / "runs.csv").open("a") as sheet:
        sheet.write("wren-1,,\n")
    plan = tonight(read_night(to_come), {"wren"})
    assert plan.robots == ("heron", "wren")
    assert plan.still_to_come == 4


def test_robot_that_nobody_knows_is_a_mistake(to_come: Path):
    with (to_come / "runs.csv").open("a") as sheet:
        sheet.write("wren-1,,\n")
    for unmeasured in ((), {"dunlin"}):
        with pytest.raises(BadInput, match='"wren" is not in the register'):
            tonight(read_night(to_come), unmeasured)


def test_first_run_of_each_robot_tells(to_come: Path, lab: Lab):
    for number in (2, 3):
        shutil.copy(lab.night / "heron-1.jpg", to_come / f"heron-{number}.jpg")
    assert [run.id for run in first_runs(tonight(read_night(to_come), ()))] == ["heron-2"]
