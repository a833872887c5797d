"""A night that is still coming in: what is ready, and what is said of the rest. The clock is the test's."""

from __future__ import annotations

import gc
import shutil
import tracemalloc
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from small_night import Lab

from coverage_lab.season.arrivals import Entry
from coverage_lab.season.inbox import AWAITED_S, RETRY_S, Inbox, Looked, find_inboxes, look_into


class Dropped:
    """A night that is looked at when it wants to be, for as long as anything in it is awaited."""

    def __init__(self, night: Path, settle_s: float | None = None) -> None:
        self.inbox = Inbox(night, settle_s)
        self.now_s = 1000.0

    def look(self, seconds: float = 0.0) -> Looked:
        self.now_s += seconds
        return self.inbox.look(self.now_s)

    def settled(self) -> Looked:
        """What is found at the first look at which a run is ready, or time alone brings nothing new."""
        looked = self.look(1)
        while looked.job is None and looked.again_s is not None and looked.again_s < self.now_s + AWAITED_S:
            looked = self.look(looked.again_s - self.now_s)
        return looked

    def ready(self) -> list[str]:
        looked = self.settled()
        return [run.id for run in looked.job.runs] if looked.job else []


def moved_away(lab: Lab, *names: str) -> Path:
    """Move files of the night out of it, to come back later."""
    away = lab.season.parent / "away"
    away.mkdir(exist_ok=True)
    for name in names:
        shutil.move(lab.night / name, away / name)
    return away


def test_a_whole_night_is_ready_and_handed_out_once(lab: Lab):
    dropped = Dropped(lab.night)
    assert dropped.ready() == ["heron-1", "heron-2"]
    assert dropped.ready() == []
    assert dropped.settled() == Looked(says={})


def test_rows_whose_pictures_are_not_there_yet_do_not_hold_up_the_others(lab: Lab):
    away = moved_away(lab, "heron-2.jpg")
    dropped = Dropped(lab.night)
    assert dropped.ready() == ["heron-1"]
    assert dropped.settled().says == {"2031-02-11": "waiting for heron-2.jpg"}
    shutil.move(away / "heron-2.jpg", lab.night)
    assert dropped.ready() == ["heron-2"]


@pytest.mark.parametrize("name", ["reference.jpg", "night.toml", "room.geojson", "lens.json"])
def test_what_is_missing_is_said_in_a_word(lab: Lab, name: str):
    away = moved_away(lab, name)
    dropped = Dropped(lab.night)
    assert dropped.settled().says == {"2031-02-11": f"waiting for {name}"}
    shutil.move(away / name, lab.night)
    assert dropped.ready() == ["heron-1", "heron-2"]


def test_the_register_of_the_season_is_waited_for(lab: Lab):
    register = (lab.season / "robots.toml").read_bytes()
    (lab.season / "robots.toml").unlink()
    dropped = Dropped(lab.night)
    looked = dropped.settled()
    assert looked.says == {"2031-02-11": "waiting for robots.toml"}
    assert (
        looked.again_s == dropped.now_s + AWAITED_S
    )  # nobody tells of what comes above a night that is watched itself
    (lab.season / "robots.toml").write_bytes(register)
    assert dropped.ready() == ["heron-1", "heron-2"]


def test_a_mistake_is_told_beside_what_is_missing_and_mended(lab: Lab):
    lab.edit(lab.night / "night.toml", "cell_mm", "cel_mm")
    away = moved_away(lab, "reference.jpg")
    dropped = Dropped(lab.night)
    (told,) = (dropped.settled().says or {}).values()
    assert "cell_mm" in told
    shutil.move(away / "reference.jpg", lab.night)
    lab.edit(lab.night / "night.toml", "cel_mm", "cell_mm")
    assert dropped.ready() == ["heron-1", "heron-2"]


def test_frames_of_a_folder_are_counted_until_nothing_comes(lab: Lab):
    (lab.night / "heron-3").mkdir()
    with (lab.night / "runs.csv").open("a", encoding="utf-8") as sheet:
        sheet.write("heron-3,heron,3,heron-3\n")
    dropped = Dropped(lab.night, settle_s=30)
    assert dropped.ready() == ["heron-1", "heron-2"]
    for number in (1, 2):
        shutil.copy(lab.night / "heron-1.jpg", lab.night / "heron-3" / f"{number}.jpg")
        dropped.look()
        looked = dropped.look(3)
        assert looked.says == {"2031-02-11/heron-3": f"receiving, {number} frame{'s' * (number > 1)}"}
        assert looked.again_s is not None
    quiet_s = dropped.now_s - 3
    assert dropped.ready() == ["heron-3"]
    assert dropped.now_s - quiet_s == pytest.approx(30, abs=1)


def dated(source: Path, target: Path, moment: datetime) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = f"{moment:%Y:%m:%d %H:%M:%S}"
    with Image.open(source) as picture:
        picture.save(target, exif=exif)


def test_a_row_by_the_clock_has_ended_when_a_later_picture_is_there(lab: Lab):
    sheet = "run,robot,start,end\nheron-1,heron,20:00,20:30\n"
    (lab.night / "runs.csv").write_text(sheet, encoding="utf-8")
    (lab.night / "heron-2.jpg").unlink()
    frame = lab.night / "heron-1.jpg"
    evening = datetime(2031, 2, 11, 20, 0, 0)
    for number in range(3):
        dated(frame, lab.night / f"DSC_{number:04}.jpg", evening + timedelta(minutes=10 * number))
    frame.unlink()
    dropped = Dropped(lab.night)
    began_s = dropped.now_s
    dropped.look()
    looked = dropped.look(5)
    assert looked.says == {"2031-02-11/heron-1": "receiving, 3 frames"}
    dated(lab.night / "DSC_0002.jpg", lab.night / "DSC_0003.jpg", evening + timedelta(minutes=50))
    assert dropped.ready() == ["heron-1"]
    assert dropped.now_s - began_s < 30


def test_a_frame_that_comes_between_looking_and_reading(lab: Lab):
    def a_moment_before(night: Path) -> dict[str, Entry]:
        return {name: entry for name, entry in look_into(night).items() if name != "heron-2.jpg"}

    dropped = Dropped(lab.night)
    lab.monkeypatch.setattr("coverage_lab.season.inbox.look_into", a_moment_before)
    dropped.look()
    looked = dropped.look(5)
    assert (looked.job, looked.says) == (None, None)
    lab.monkeypatch.setattr("coverage_lab.season.inbox.look_into", look_into)
    assert [dropped.ready(), dropped.ready()] == [["heron-1"], ["heron-2"]]


def test_results_that_hold_are_not_handed_out_and_their_frames_not_decoded(done: Lab):
    done.monkeypatch.setattr("coverage_lab.season.inbox.read_frame", lambda path: pytest.fail(f"decoded {path}"))
    dropped = Dropped(done.night)
    assert dropped.settled() == Looked(says={}, done=2)
    assert dropped.settled() == Looked(says={})


def test_a_run_that_failed_is_handed_out_again_only_if_something_changed(lab: Lab):
    whole = (lab.night / "heron-2.jpg").read_bytes()
    (lab.night / "heron-2.jpg").write_bytes(whole[:5000])
    dropped = Dropped(lab.night, settle_s=5)
    assert dropped.ready() == ["heron-1"]
    assert dropped.ready() == ["heron-2"]
    lab.measure()
    assert lab.measures("heron-2")["verdict"] == "failed"
    assert (dropped.ready(), dropped.ready()) == ([], [])
    (lab.night / "heron-2.jpg").write_bytes(whole)
    assert dropped.ready() == ["heron-2"]


def test_what_could_not_be_stored_is_tried_again_later(lab: Lab):
    dropped = Dropped(lab.night)
    dropped.ready()
    dropped.inbox.give_back({"heron-2"}, dropped.now_s)
    given_s = dropped.now_s
    assert dropped.ready() == ["heron-2"]
    assert dropped.now_s == pytest.approx(given_s + RETRY_S)


def test_results_temporary_hidden_and_junk_files_are_not_looked_at(lab: Lab):
    before = set(look_into(lab.night))
    for name in ("results/heron-9.jpg", "._heron-1.jpg", "~$heron-3.jpg", "Thumbs.db", ".x/1.jpg", "heron-3.jpg.part"):
        path = lab.night / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
    (lab.night / "loop").symlink_to(lab.night)
    assert set(look_into(lab.night)) == before
    assert {"heron-1.jpg", "night.toml", "../robots.toml"} <= before


def test_nights_are_found_one_and_two_levels_down_and_before_they_have_papers(lab: Lab):
    top = lab.season.parent
    assert find_inboxes(lab.night) == find_inboxes(lab.season) == find_inboxes(top) == (lab.night,)
    (lab.night / "night.toml").unlink()
    assert find_inboxes(lab.season) == (lab.night,)
    (top / "empty").mkdir()
    assert find_inboxes(top / "empty") == ()


def test_a_quiet_night_is_forgotten_but_for_what_was_handed_out(lab: Lab):
    """The memory that watching takes does not grow with looks, nor with the frames of nights that are done.

    A list of the night's files that was kept from each look would take four times the bound; caches of libraries that
    fill up meanwhile take a fifth of it.
    """
    tracemalloc.start()  # first: what is there already is not traced, and would seem to grow where it is replaced
    try:
        dropped = Dropped(lab.night)
        dropped.ready()
        for _ in range(5):
            dropped.settled()
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        rounds = 100
        for _ in range(rounds):
            assert dropped.settled() == Looked(says={})
        gc.collect()
        assert tracemalloc.get_traced_memory()[0] - before < 1000 * rounds
    finally:
        tracemalloc.stop()
