"""What `measure` tells while it works: for people, for a log, or hardly anything."""

from __future__ import annotations

import json
import resource
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.errors import ExitCode


@pytest.fixture
def one_broken(lab: Lab) -> Lab:
    """The second of the two frames is cut off."""
    frame = lab.night / "heron-2.jpg"
    frame.write_bytes(frame.read_bytes()[:-500])
    return lab


def test_a_log_line_for_each_run_appended(one_broken: Lab, tmp_path: Path):
    log = tmp_path / "runs.log"
    before = datetime.now(UTC)
    one_broken.measure("--log", log, one_broken.season)
    one_broken.measure("--log", log, one_broken.season)
    first, second, third = (json.loads(line) for line in log.read_text("utf-8").splitlines())
    assert [line["key"] for line in (first, second, third)] == [
        f"2031-02-11/heron-{number}"
        for number in (1, 2, 2)  # a failed run is tried again
    ]
    made = json.loads((one_broken.night / "results" / "heron-1" / "made.json").read_text("utf-8"))
    numbers = one_broken.measures()
    assert first["verdict"] == "measured"
    assert first["digest"] == made["digest"]
    assert first["coverage_percent"] == pytest.approx(numbers["coverage"]["percent"]["value"], abs=0.001)
    assert first["quality"] == list(dict.fromkeys(remark["code"] for remark in numbers["quality"]))
    assert 0 < first["seconds"] < (datetime.now(UTC) - before).total_seconds()
    assert before.isoformat(timespec="milliseconds") <= first["time_utc"] <= datetime.now(UTC).isoformat()
    assert (second["verdict"], second["coverage_percent"], second["quality"]) == ("failed", None, [])
    assert "heron-2.jpg: cannot be decoded whole" in second["text"]


def test_quiet_tells_only_what_went_wrong(one_broken: Lab):
    told = one_broken.measure("--quiet", one_broken.season)
    assert told.code == ExitCode.SOME_FAILED
    assert len(told.lines) == 1
    told.line("heron-2: failed")


def test_quiet_and_all_well_is_silent(lab: Lab):
    told = lab.measure("--quiet", lab.season)
    assert (told.code, told.lines, told.out) == (0, [], "")


def test_a_log_that_cannot_be_written_stops_before_anything_is_measured(lab: Lab, tmp_path: Path):
    told = lab.measure("--log", tmp_path, lab.season)
    assert told.code == ExitCode.BAD_INPUT
    told.line("--log: cannot be written (is a directory)")
    assert not (lab.night / "results").exists()


@pytest.fixture
def room_for_an_empty_log(tmp_path: Path) -> Iterator[Path]:
    """A log that has grown to the size that files may have, as on a full disk."""
    log = tmp_path / "runs.log"
    size, (soft, hard) = 4_000_000, resource.getrlimit(resource.RLIMIT_FSIZE)
    with log.open("wb") as stream:
        stream.truncate(size)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    yield log
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_costs_lines_of_the_log_and_no_run(lab: Lab, room_for_an_empty_log: Path):
    told = lab.measure("--log", room_for_an_empty_log, lab.season)
    assert told.code == ExitCode.DONE
    told.line("runs.log: lines are missing (file too large).")
    assert told.lines[-1] == "2 measured, 0 refused, 0 failed"
