"""Files, disks, clocks and names that go wrong: the run or the night is named, and all others are measured."""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path
from unicodedata import normalize

import pytest
from small_night import Lab
from whole import litter, stored

from coverage_lab.errors import ExitCode, UnreadableFrame
from coverage_lab.frames.read import read_frame
from coverage_lab.season.index import open_index

MEASURE = [sys.executable, "-c", "from coverage_lab.cli import main; main()", "measure"]


def add_night(lab: Lab, name: str) -> Path:
    return Path(shutil.copytree(lab.night, lab.season / name))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda content: content[: len(content) // 2], "cannot be decoded whole"),
        (lambda content: b"", "the file is empty"),
        (lambda content: b"not a picture at all", "is not a JPEG, PNG or TIFF picture"),
        (lambda content: content[:40_000] + bytes(4096) + content[44_096:], "cannot be decoded whole"),
    ],
    ids=["cut off", "zero bytes", "no picture", "zeroed in the middle"],
)
def test_a_damaged_frame_is_named_and_the_others_measured(lab: Lab, spoil, words: str):
    frame = lab.night / "heron-1.jpg"
    frame.write_bytes(spoil(frame.read_bytes()))
    told = lab.measure(lab.season)
    assert told.code == ExitCode.SOME_FAILED
    told.line("2031-02-11/heron-1: failed: heron-1.jpg", words)
    told.line("2031-02-11/heron-2: measured")


def test_zeroed_blocks_of_a_disk_are_noticed_wherever_they_are(lab: Lab):
    """A block of 4096 bytes, as disks and file systems lose them; docs/limits.md says what smaller ones do."""
    content = (lab.night / "heron-1.jpg").read_bytes()
    pixels = content.rfind(b"\xff\xda") + 20  # where the last segment's header ends
    places = random.Random(4)
    for _ in range(40):
        at = places.randrange(pixels, len(content) - 4096)
        (lab.night / "zeroed.jpg").write_bytes(content[:at] + bytes(4096) + content[at + 4096 :])
        with pytest.raises(UnreadableFrame, match="cannot be decoded whole"):
            read_frame(lab.night / "zeroed.jpg")


def test_a_disk_that_fills_up_while_workers_write(done: Lab):
    """No file may grow beyond 60 kB, as on a full disk: pictures of the floor are larger."""
    before = stored(done.night)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))

    command = [*MEASURE, "--workers", "2", "--again", done.season]
    told = subprocess.run(command, capture_output=True, text=True, check=False, preexec_fn=limit)
    assert told.returncode == ExitCode.SOME_FAILED
    for run in ("heron-1", "heron-2"):
        assert f"{run}: failed: results/.staging/{run}/overlay.png: the disk is full" in told.stderr
    assert stored(done.night) == before
    assert litter(done.night) == []
    assert done.measure().lines == ["nothing new to do"]


def test_two_batches_on_one_season_at_once(done: Lab):
    """Each night is done by one of them, or left to the other; together, and continued, they harm nothing."""
    whole = stored(done.night)
    shutil.rmtree(done.night / "results")
    nights = [done.night, *(add_night(done, f"2031-02-{day}") for day in (12, 13))]
    command = [*MEASURE, "--workers", "1", done.season]
    both = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [batch.communicate()[1] for batch in both]
    told = [line.partition(": measured")[0] for text in said for line in text.splitlines() if ": measured" in line]
    assert sorted(told) == [f"{night.name}/heron-{number}" for night in nights for number in (1, 2)]  # none twice
    assert all(batch.returncode in (ExitCode.DONE, ExitCode.SOME_FAILED) for batch in both)
    for night in nights:
        names = {
            key: value for key, value in stored(night).items() if not key.endswith(("measures.json", "overlay.png"))
        }
        assert names == {key: whole[key] for key in names}
        assert litter(night) == []
    assert done.measure(done.season).lines[-1] == "nothing new to do"
    with open_index(done.season) as index:
        assert len(list(index.rows())) == 6


def test_a_clock_that_goes_backwards(done: Lab):
    """Results are from the future, then new frames from the past: what changed is measured, and everything listed."""
    future_s = time.time() + 10 * 365 * 24 * 3600
    for path in done.season.rglob("*"):
        os.utime(path, (future_s, future_s))
    with open_index(done.season) as index:
        before = list(index.rows())
    shutil.copy(done.night / "reference.jpg", done.night / "heron-2.jpg")
    os.utime(done.night / "heron-2.jpg", (1e9, 1e9))
    told = done.measure()
    assert told.lines[-1] == "0 measured, 1 refused, 0 failed, 1 done before"
    assert "heron-2,heron,2,coverage,refused" in (done.night / "results" / "summary.csv").read_text("utf-8")
    with open_index(done.season) as index:
        first, second = index.rows()
    assert first == before[0]
    assert second["verdict"] == "refused"


def test_a_sheet_with_500_bad_rows_is_told_whole(lab: Lab):
    rows = [f"run {number},herring,{number},picture-{number}.jpg" for number in range(500)]
    (lab.night / "runs.csv").write_text("\n".join(["run,robot,repeat,frames", *rows]), encoding="utf-8")
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    assert sum("column run:" in line and "for instance run-" in line for line in told.lines) == 500
    assert not (lab.night / "results").exists()
    rows = [f"run-{number},herring,,picture-{number}.jpg" for number in range(500)]
    (lab.night / "runs.csv").write_text("\n".join(["run,robot,repeat,frames", *rows]), encoding="utf-8")
    told = lab.measure(lab.season)
    assert sum("column robot:" in line and 'Perhaps you meant "heron"' in line for line in told.lines) == 500
    assert sum("column frames:" in line and "there is no" in line for line in told.lines) == 500


@pytest.mark.parametrize(
    "place", ["2031-02-12", "2031-02-11/results", "2031-02-11/runs.csv", "2031-02-11/results/heron-1", "robots.toml"]
)
def test_links_that_leave_the_season_are_refused(lab: Lab, tmp_path: Path, place: str):
    """Also where they lead to something that would do."""
    link = lab.season / place
    outside = tmp_path / "outside" / link.name
    outside.parent.mkdir()
    if link.name == "2031-02-12":
        shutil.copytree(lab.night, outside)
    elif link.exists():
        link.rename(outside)
    else:
        link.parent.mkdir(exist_ok=True)
        outside.mkdir()
    link.symlink_to(outside)
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line(link.name, "is a link that leaves the season")
    assert list(outside.parent.rglob("made.json")) == []


def test_circles_of_links_do_no_harm(lab: Lab):
    for place in (lab.season / "circle", lab.night / "circle", lab.night / "wren-1.jpg"):
        place.symlink_to(place)
    (lab.season / "up").symlink_to(lab.season)
    (lab.night / "more").mkdir()
    (lab.night / "more" / "up").symlink_to(lab.night)
    told = lab.measure(lab.season)
    assert told.code == ExitCode.DONE
    assert told.lines[-1] == "2 measured, 0 refused, 0 failed"
    lab.edit(lab.night / "runs.csv", "heron-2.jpg", "wren-1.jpg")
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("column frames", "wren-1.jpg", "link that leaves")


def test_a_link_to_a_night_of_the_season_is_that_night(lab: Lab):
    (lab.season / "2031-02-10").symlink_to(lab.night)
    assert lab.measure(lab.season).lines[-1] == "2 measured, 0 refused, 0 failed"
    with open_index(lab.season) as index:
        assert [row["key"] for row in index.rows()] == ["2031-02-11/heron-1", "2031-02-11/heron-2"]


@pytest.mark.parametrize("name", ["con", "nul", "aux.1", "com1", "lpt9.heron", "prn", "runs.csv", "summary.csv"])
def test_names_that_other_systems_or_we_need_are_no_run_ids(lab: Lab, name: str):
    lab.edit(lab.night / "runs.csv", "heron-2,", f"{name},")
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("row 3, column run", f'"{name}" is the name of', f"for instance run-{name}")


@pytest.mark.parametrize("other", ["HERON", "heron"])
def test_ids_that_differ_in_case_only(lab: Lab, other: str):
    lab.edit(lab.night / "runs.csv", "heron-2,", f"{other}-1,")
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("row 3, column run", "is already the run of row 2")


@pytest.mark.parametrize("pair", [("Küche", "küche"), (normalize("NFC", "Küche"), normalize("NFD", "Küche"))])
def test_nights_and_robots_that_differ_in_case_or_unicode_form_only(lab: Lab, pair: tuple[str, str]):
    for name in pair:
        add_night(lab, name)
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("are one name on other systems", "Rename one of the nights")
    for name in pair:
        shutil.rmtree(lab.season / name)
    register = lab.season / "robots.toml"
    heron = register.read_text("utf-8").partition("[heron]")[2]
    register.write_text("".join(f'["{name}"]{heron}' for name in ("heron", *pair)), encoding="utf-8")
    told = lab.measure(lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("robots.toml", "differs from", "in case or Unicode form only")
