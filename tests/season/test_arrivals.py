"""When a frame and a run are whole, told look by look; no clock runs and nothing sleeps here."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.season.arrivals import QUIET_S, SETTLE_S, STEADY_S, Arrivals, Entry, Expected, Standing

FOLDER = [f"heron-1/{at:02}.jpg" for at in range(1, 4)]


def entry(size: int = 1000, mtime_s: float = 0.0, age_s: float = 0.0) -> Entry:
    return Entry(size, int(mtime_s * 1e9), age_s)


def run(*frames: str, closed: bool = False, shared: tuple[str, ...] = ()) -> Expected:
    return Expected(frames[0].split("/")[0], frames, shared, closed)


class Desk:
    """Looks at files that a test puts down, a second between two looks; every steady frame decodes but the broken."""

    def __init__(self, settle_s: float | None = None) -> None:
        self.arrivals = Arrivals(settle_s)
        self.files: dict[str, Entry] = {}
        self.broken: set[str] = set()
        self.now_s = 100.0

    def look(self, *runs: Expected, seconds: float = 1.0) -> tuple[Standing, ...]:
        self.now_s += seconds
        self.arrivals.look(self.files, self.now_s)
        for name in self.arrivals.unchecked(self.files):
            self.arrivals.checked(name, name not in self.broken)
        return self.arrivals.standings(runs)

    def ready_after_s(self, *runs: Expected, limit_s: float = 2000.0) -> float:
        """Look on until the first run is ready; return how long that took."""
        start_s = self.now_s
        while not self.look(*runs)[0].ready:
            assert self.now_s - start_s < limit_s, "never ready"
        return self.now_s - start_s


def test_a_picture_that_the_sheet_names_is_ready_once_it_is_steady():
    desk = Desk()
    desk.look()
    desk.files["heron-1.jpg"] = entry(500)
    one = run("heron-1.jpg", closed=True)
    assert not desk.look(one)[0].ready
    desk.files["heron-1.jpg"] = entry(900)  # still growing
    assert not desk.look(one)[0].ready
    assert desk.ready_after_s(one) == STEADY_S


def test_a_time_stamp_that_moves_is_not_steady_either():
    desk = Desk()
    one = run("heron-1.jpg", closed=True)
    for second in range(10):
        desk.files["heron-1.jpg"] = entry(500, mtime_s=second)
        assert not desk.look(one)[0].ready


def test_a_picture_that_does_not_decode_is_waited_for_and_then_handed_out_to_be_named():
    desk = Desk()
    desk.look()
    desk.files["heron-1.jpg"], desk.broken = entry(500), {"heron-1.jpg"}
    one = run("heron-1.jpg", closed=True)
    assert desk.ready_after_s(one) == pytest.approx(SETTLE_S, abs=2)
    desk.files["heron-1.jpg"], desk.broken = entry(900), set()  # the rest has come after all
    assert desk.ready_after_s(one) == pytest.approx(STEADY_S, abs=1)


def test_a_folder_waits_for_silence():
    desk = Desk()
    desk.look()
    desk.files = {name: entry(mtime_s=at) for at, name in enumerate(FOLDER)}
    one = run(*FOLDER)
    assert desk.look(one)[0] == Standing("heron-1", False, 3, desk.now_s + STEADY_S)
    assert desk.ready_after_s(one) == pytest.approx(SETTLE_S, abs=1)


def test_silence_is_five_frame_periods_if_frames_are_long():
    desk = Desk()
    desk.look()
    desk.files = {name: entry(mtime_s=at * 240) for at, name in enumerate(FOLDER)}
    assert desk.ready_after_s(run(*FOLDER)) == pytest.approx(5 * 240, abs=1)


def test_silence_as_given():
    desk = Desk(settle_s=30)
    desk.look()
    desk.files = {name: entry(mtime_s=at * 240) for at, name in enumerate(FOLDER)}
    assert desk.ready_after_s(run(*FOLDER)) == pytest.approx(30, abs=1)


def test_the_next_run_ends_the_one_before_it_only():
    desk = Desk()
    desk.look()
    desk.files = {name: entry() for name in FOLDER}
    desk.look(run(*FOLDER))
    desk.files["wren-1/01.jpg"] = entry()
    first, second = run(*FOLDER), run("wren-1/01.jpg")
    assert desk.ready_after_s(first, second) <= QUIET_S + 1
    assert not desk.look(first, second)[1].ready
    assert desk.ready_after_s(second, first) == pytest.approx(SETTLE_S, abs=QUIET_S + 2)


def test_two_folders_copied_at_once_do_not_end_each_other():
    desk = Desk()
    desk.look()
    first, second = [], []
    for at in range(1, 40):
        for frames, name in ((first, f"heron-1/{at:02}.jpg"), (second, f"wren-1/{at:02}.jpg")):
            desk.files[name] = entry()
            frames.append(name)
            assert not any(one.ready for one in desk.look(*(run(*names) for names in (first, second) if names)))


def test_a_night_that_lay_there_before_is_judged_by_its_age():
    desk = Desk()
    desk.files = {name: entry(age_s=3 * SETTLE_S) for name in FOLDER}
    assert desk.ready_after_s(run(*FOLDER)) == STEADY_S + 1


def test_a_clock_that_is_wrong_does_no_harm_once_we_look_on():
    """Ages may come from a network drive's clock: files that come later are dated by our own."""
    desk = Desk()
    desk.look()
    desk.files = {name: entry(age_s=9 * SETTLE_S) for name in FOLDER}
    assert desk.ready_after_s(run(*FOLDER)) == pytest.approx(SETTLE_S, abs=1)
    ahead = Desk()
    ahead.files = {name: entry(age_s=-9 * SETTLE_S) for name in FOLDER}
    assert ahead.ready_after_s(run(*FOLDER)) == pytest.approx(SETTLE_S, abs=1)


def test_a_reference_picture_must_be_whole_too():
    desk = Desk()
    desk.look()
    desk.files = {"heron-1.jpg": entry()}
    one = run("heron-1.jpg", closed=True, shared=("reference.jpg",))
    desk.ready_after_s(one)
    desk.files["reference.jpg"] = entry()
    assert not desk.look(one)[0].ready
    assert desk.ready_after_s(one) == STEADY_S


@given(st.lists(st.tuples(st.sampled_from(FOLDER), st.integers(1, 5), st.floats(0.1, 700)), min_size=1, max_size=12))
def test_no_run_is_ready_within_the_silence_after_its_last_change(steps):
    """Whatever comes in whatever order: an open run is never ready before SETTLE_S of silence, and is so after."""
    desk = Desk()
    desk.look()
    changed_s = desk.now_s
    for name, size, seconds in steps:
        if desk.files.get(name) != entry(size):
            desk.files[name] = entry(size)
            desk.look()
            changed_s = desk.now_s
        standing = desk.look(run(*desk.files), seconds=seconds)[0]
        assert not standing.ready or desk.now_s - changed_s >= SETTLE_S
        assert standing.ready or standing.again_s is not None
    for _ in range(2):
        standing = desk.look(run(*desk.files), seconds=SETTLE_S)[0]
    assert standing.ready
