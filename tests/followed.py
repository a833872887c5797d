"""Follows the commands that a page of the documentation gives, and compares what they print with what it shows."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

NUMBER = re.compile(r"\d+(?:\.\d+)?")


def run_commands(commands: str, folder: Path) -> tuple[int, tuple[str, ...]]:
    """Run commands as the reader's shell would, up to the first that fails; return exit code and lines printed."""
    programs = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(
        ["bash", "-e", "-c", commands],
        cwd=folder,
        env=os.environ | {"PATH": programs, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=600,
    )
    return done.returncode, (*done.stdout.splitlines(), *done.stderr.splitlines())


def alike(said: str, printed: str, *, within: float = 0.0) -> bool:
    """Whether a line was printed as the page shows it, but for spaces at its end.

    Other libraries and machines may move a number by its last digit, one with decimals by 0.1, and by a share `within`.
    """
    mine, theirs = NUMBER.findall(said), NUMBER.findall(printed)
    if NUMBER.sub("#", said).split() != NUMBER.sub("#", printed).split():
        return False
    return all(
        a == b or abs(float(a) - float(b)) < max(0.11 if "." in a else 1.1, within * float(a))
        for a, b in zip(mine, theirs, strict=True)
    )
