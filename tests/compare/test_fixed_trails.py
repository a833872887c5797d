"""The worked example of docs/study.md: trails photographed again with the camera hung again, and what it prints."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from followed import alike, run_commands

from coverage_lab.compare.study import Study, study
from coverage_lab.season.exposures import find_exposures

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "study.md"


def example() -> tuple[list[str], list[str]]:
    """The commands of the page's example, and the lines that it shows."""
    text = PAGE.read_text(encoding="utf-8").partition("## Worked example")[2]
    commands, shown = re.findall(r"^```\w*\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return commands.splitlines(), shown.splitlines()


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[str, ...]]:
    """The folder in which the commands were run, and what the last one printed."""
    folder = tmp_path_factory.mktemp("example")
    lines: tuple[str, ...] = ()
    for command in example()[0]:
        code, lines = run_commands(command.replace("python tests/", f"python {ROOT}/tests/"), folder)
        assert code == 0, lines
    return folder, lines


@pytest.fixture(scope="module")
def found(printed: tuple[Path, tuple[str, ...]]) -> Study:
    study_ = study("coverage_percent", find_exposures([printed[0] / "season"]))
    assert study_ is not None
    return study_


def test_the_example_prints_what_the_page_shows(printed: tuple[Path, tuple[str, ...]]):
    shown = example()[1]
    assert len(shown) > 8
    for said, line in zip(shown, printed[1], strict=False):
        assert alike(said, line, within=0.1), f"{said}\n{line}"


def test_every_source_is_told(found: Study):
    assert [source.name for source in found.sources] == ["robot", "repeat", "set-up", "set-up × trail", "exposure"]
    assert (found.exposures, found.trails, found.set_ups) == (16, 4, 2)
    assert found.cannot_tell == ()


def test_hanging_the_camera_again_moves_coverage_less_than_is_stated(found: Study):
    assert found.instrument is not None
    assert 0 < found.instrument.sd < found.stated_u
