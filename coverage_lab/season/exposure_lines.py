"""What a first exposure says of light and bar, by the analysis itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from coverage_lab.errors import CoverageLabError
from coverage_lab.job import Quality, Run
from coverage_lab.remarks import FAINT, LEAK, MUCH_CLIPPED, PASSES_OFF, TRACKS_OFF, Judged
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.season.room_lines import state_of
from coverage_lab.season.work import told_in
from coverage_lab.setting import SetUp, set_up
from coverage_lab.show.room_check import CheckLine

_LEVEL, _LEAK, _BAR = ("saturated", "faint"), ("light-leak",), ("bar-length-mismatch",)
_TOLD_ALREADY = ("marker-missing", "marker-moved", "camera-uncertain", "camera-moved", "hidden-floor")


def exposure_lines(run: Run, setting: SetUp) -> Iterator[CheckLine]:
    """Measure `run`, and yield how its exposure is: level, stray light, the bar's length, and what else is amiss."""
    try:
        if run.reference is not None:
            setting = set_up(replace(setting.night, reference=run.reference), [run])
        measured = measure(run, setting)
    except CoverageLabError as error:
        yield CheckLine(
            f"{run.id}: exposure", "cannot be measured", "", "no-go", told_in(error, setting.night).replace("\n", " ")
        )
        return
    quality = measured.measures.quality
    if measured.judged is not None:
        yield _level(run, measured, measured.judged)
        yield _leak(run, quality, measured.judged)
        yield _bar(run, setting, quality, measured.judged)
    told = (*_TOLD_ALREADY, *(() if measured.judged is None else (*_LEVEL, *_LEAK, *_BAR)))
    for remark in quality:
        if remark.code not in told and remark.level != "note":
            yield CheckLine(
                f"{run.id}: {remark.code}", "seen", "none", state_of([remark]), f"{remark.text.removesuffix('.')}."
            )


def _level(run: Run, measured: MeasuredRun, judged: Judged) -> CheckLine:
    clipped = "" if measured.swept is None else f"clipped along {100 * measured.swept.clipped:.0f} % of the outline; "
    noise = judged.exposure.trail_over_noise
    value = f"{clipped}trail {noise:.0f} times the noise" if noise < 1e4 else f"{clipped}no noise to see"
    limit = f"≤ {100 * MUCH_CLIPPED:g} %, ≥ {FAINT:g} times"
    return _line(f"{run.id}: exposure level", value, limit, measured.measures.quality, _LEVEL)


def _leak(run: Run, quality: tuple[Quality, ...], judged: Judged) -> CheckLine:
    value = f"floor out of reach is {100 * judged.exposure.missed_over_trail:.0f} % as bright as the trail"
    return _line(f"{run.id}: stray light", value, f"≤ {100 * LEAK:g} %", quality, _LEAK)


def _bar(run: Run, setting: SetUp, quality: tuple[Quality, ...], judged: Judged) -> CheckLine:
    what, length = f"{run.id}: bar length and height", judged.length
    if length is None:
        return CheckLine(what, "this exposure does not tell", "", "go")
    above_m = float(setting.camera.fit.camera.centre_m[2]) - setting.night.robots[run.robot].bar.height_m
    off = length.ratio - 1
    value = (
        f"{100 * off:+.2f} % (u {100 * length.u:.2f}) off the register's length, "
        f"as if it were {1000 * abs(off) * above_m:.1f} mm {'higher' if off > 0 else 'lower'}"
    )
    allowed = (TRACKS_OFF if length.by_tracks else PASSES_OFF) + 3 * length.u
    return _line(what, value.replace("-", "−"), f"± {100 * allowed:.2f} %", quality, _BAR)


def _line(what: str, value: str, limit: str, quality: tuple[Quality, ...], codes: tuple[str, ...]) -> CheckLine:
    remarks = [remark for remark in quality if remark.code in codes]
    return CheckLine(what, value, limit, state_of(remarks), " ".join(f"{remark.text}." for remark in remarks))
