"""Every error that a user can meet, and the exit codes that go with them.

A message always reads `file: field: what is wrong. What to do.`, so that it can be acted on without this code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path


class ExitCode(IntEnum):
    """What the command line returns; a stable interface, listed in docs/commands.md."""

    DONE = 0  # done, or nothing new to do
    SOME_FAILED = 1  # some runs of this pass were refused or failed; each is named
    BAD_INPUT = 2  # the command or its files are wrong; nothing was measured
    NO_GO = 3  # the set-up check says no
    INTERRUPTED = 130  # stopped by Ctrl-C


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in one file: where it stands, what is wrong, and how to mend it."""

    path: Path | None
    field: str  # e.g. "robot.heron.nozzle_mm", "row 3, column robot", "feature 4 (obstacle 'bench')"; may be ""
    wrong: str  # a clause without full stop
    mend: str = ""  # an imperative sentence without full stop
    absent: str = ""  # the file that is not there, where that is all that is wrong: it may yet come

    def __str__(self) -> str:
        place = ": ".join(part for part in (str(self.path or ""), self.field) if part)
        text = f"{place}: {self.wrong}" if place else self.wrong
        return f"{text}. {self.mend}." if self.mend else f"{text}."


class CoverageLabError(Exception):
    """Base of all errors that name something the user can mend."""

    exit_code: ExitCode = ExitCode.BAD_INPUT

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type, tuple[tuple[Problem, ...]]]:
        # Workers send errors back by pickle; the default would call the class with the joined text.
        return type(self), (self.problems,)


class BadInput(CoverageLabError):
    """A file that a person wrote, or the command itself, does not make sense."""


class UnreadableFrame(CoverageLabError):
    """A picture cannot be decoded whole. Its run fails; the others go on."""

    exit_code = ExitCode.SOME_FAILED


class CannotWrite(CoverageLabError):
    """Results cannot be stored (read-only folder, full disk). What was there before is untouched."""

    exit_code = ExitCode.SOME_FAILED


class Refused(CoverageLabError):
    """The picture was read, but cannot carry a number: says why and what to re-shoot."""

    exit_code = ExitCode.SOME_FAILED

    def __init__(self, problems: Problem | Sequence[Problem], code: str = "") -> None:
        super().__init__(problems)
        self.code = code  # a quality code of docs/file-formats.md

    def __reduce__(self) -> tuple[type, tuple[tuple[Problem, ...], str]]:  # type: ignore[override]
        return type(self), (self.problems, self.code)
