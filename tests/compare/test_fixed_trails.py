"""From pictures to the study: trails photographed again with the camera hung again."""

from __future__ import annotations

from pathlib import Path

from fixed_trails import Design, write_fixed_trails

from coverage_lab.compare.study import study
from coverage_lab.season.batch import measure_all
from coverage_lab.season.exposures import find_exposures
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.wanted import look_through


def test_hanging_the_camera_again_moves_coverage_less_than_is_stated(tmp_path: Path):
    night = write_fixed_trails(tmp_path, Design(robots=1, trails=2, set_ups=2, times=1, megapixels=0.5))
    measure_all(look_through(find_jobs([night])), lambda outcome: None)
    found = study("coverage_percent", find_exposures([night]))
    assert found is not None and found.instrument is not None
    assert [source.name for source in found.sources] == ["repeat", "set-up", "exposure"]
    assert (found.exposures, found.trails, found.set_ups) == (4, 2, 2)
    assert [note.split(":")[0] for note in found.cannot_tell] == ["The robots"]
    assert 0 < found.instrument.sd < found.stated_u
