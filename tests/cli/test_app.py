"""The command line: help, version, completion, output, and how quickly it starts."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from small_night import Lab

from coverage_lab import __version__
from coverage_lab.cli.app import app
from coverage_lab.errors import ExitCode

COMMANDS = sorted(command.callback.__name__ for command in app.registered_commands if command.callback)
COMMAND_LINE = [sys.executable, "-c", "from coverage_lab.cli import main; main()"]


def test_version(lab: Lab):
    assert lab.run("--version").out == f"coverage-lab {__version__}\n"


def test_help_lists_every_command(lab: Lab):
    text = lab.run("--help").out
    assert "measure" in COMMANDS
    assert all(command in text for command in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_has_help(lab: Lab, command: str):
    told = lab.run(command, "--help")
    assert told.code == ExitCode.DONE
    registered = next(one for one in app.registered_commands if one.callback and one.callback.__name__ == command)
    assert registered.callback is not None
    assert registered.callback.__doc__
    for name, hint in registered.callback.__annotations__.items():
        if name != "return":
            assert "help=" in str(hint), f"{command}: {name} is not explained"


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_completion(shell: str):
    """The script that `--install-completion` puts into a shell's start-up files, and what it asks for."""
    variables = {"_COVERAGE_LAB_COMPLETE": f"source_{shell}"}
    script = subprocess.run(
        [str(Path(sys.executable).with_name("coverage-lab"))],
        env=os.environ | variables,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "coverage-lab" in script
    asked = {
        "_COVERAGE_LAB_COMPLETE": f"complete_{shell}",
        "_TYPER_COMPLETE_ARGS": "coverage-lab mea",
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
        "COMP_WORDS": "coverage-lab mea",
        "COMP_CWORD": "1",
    }
    answer = subprocess.run(
        [str(Path(sys.executable).with_name("coverage-lab"))],
        env=os.environ | asked,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "measure" in answer


def test_json_lines(lab: Lab):
    told = lab.measure("--json", lab.night)
    lines = [json.loads(line) for line in told.out.splitlines()]
    assert lines == [lab.measures("heron-1"), lab.measures("heron-2")]


def test_messages_go_to_standard_error_only(lab: Lab):
    told = lab.measure()
    assert told.out == ""
    assert [line.split(":")[0] for line in told.lines] == [
        "2031-02-11/heron-1",
        "2031-02-11/heron-2",
        "2 measured, 0 refused, 0 failed",
    ]


def test_importing_the_package_loads_no_numbers():
    """Help and completion must not wait for libraries that only measuring needs."""
    code = "import sys, coverage_lab, coverage_lab.cli; print(*sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "cv2", "scipy", "shapely", "pydantic", "PIL"} & set(loaded)


def test_public_names():
    import coverage_lab

    assert all(getattr(coverage_lab, name) is not None for name in coverage_lab.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = coverage_lab.nothing


def test_help_starts_quickly(benchmark: BenchmarkFixture):
    """At most twice what loading the libraries of the command line takes, in pairs, so that load cancels out."""
    ours, theirs = [*COMMAND_LINE, "--help"], [sys.executable, "-c", "import typer, rich"]
    pairs = [(seconds(ours), seconds(theirs)) for _ in range(9)]
    benchmark.extra_info["ratio"] = ratio = median(one / other for one, other in pairs)
    benchmark.pedantic(seconds, (ours,), rounds=3)
    assert ratio <= 2


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start
