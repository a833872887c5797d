"""Coverage Lab: overhead long-exposure photographs of cleaning robots, turned into defensible numbers.

    from coverage_lab import measure, read_night, read_runs, set_up

    night = read_night(Path("sample_frames/2031-02-11"))
    runs = read_runs(night)
    setting = set_up(night, runs)
    coverage = measure(runs[0], setting).measures.coverage

The names are loaded on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coverage_lab.files.night import read_night
    from coverage_lab.files.sheet import read_runs
    from coverage_lab.run import MeasuredRun, measure
    from coverage_lab.setting import SetUp, set_up

__all__ = ["MeasuredRun", "SetUp", "__version__", "measure", "read_night", "read_runs", "set_up"]
__version__ = "0.1.0"

_HOME = {
    "MeasuredRun": "coverage_lab.run",
    "SetUp": "coverage_lab.setting",
    "measure": "coverage_lab.run",
    "read_night": "coverage_lab.files.night",
    "read_runs": "coverage_lab.files.sheet",
    "set_up": "coverage_lab.setting",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
