"""Charts of soil tests: every number stands where it should, and a single run is told from repeats."""

from __future__ import annotations

from dataclasses import replace

import pytest
from matplotlib.axes import Axes

from coverage_lab.job import Quantity
from coverage_lab.pickup.values import Balance, PickupResult, PickupSummary
from coverage_lab.show.chart_style import figure_files
from coverage_lab.show.pickup_chart import pickup_against_coverage, pickup_chart


def summary(robot: str, floor: str, soil: str | None, percent: float, half: float | None) -> PickupSummary:
    whole = None if half is None else Quantity(percent, half / 2, (percent - half, percent + half))
    return PickupSummary(robot, floor, soil, 1 if half is None else 3, percent, None, whole, half is None, 0)


def result(robot: str, by: float) -> PickupResult:
    summaries = (
        summary(robot, "oak", "sand", 80 + by, 2),
        summary(robot, "oak", "hair", 60 + by, None),
        summary(robot, "oak", None, 80 + by, 2),
        summary(robot, "shag", "sand", 40 + by, 5),
        summary(robot, "shag", None, 40 + by, 5),
    )
    return PickupResult(
        f"{robot}.csv", Balance(0.01, 0.01), 0.05, ("oak", "shag"), ("sand", "hair"), ("sand",), (), summaries, ()
    )


HERON, WREN = result("heron", 0), result("wren", 7)


def marks(panel: Axes) -> list[tuple[float, float, bool]]:
    """Where the panel's marks stand, and whether they are filled."""
    points = [one for one in panel.containers if one.get_label() is not None]
    lines = [one.lines[0] for one in points]
    return [
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]), line.get_markerfacecolor() != "none") for line in lines
    ]


def intervals(panel: Axes) -> list[tuple[float, float]]:
    bars = [one.lines[2][0].get_segments()[0] for one in panel.containers if one.lines[2]]
    return sorted((float(bar[0][1]), float(bar[1][1])) for bar in bars)


def test_floors_soils_and_robots_have_their_places():
    oak, shag = pickup_chart([HERON, WREN]).axes
    assert [one.get_title(loc="left") for one in (oak, shag)] == ["oak", "shag"]
    assert [label.get_text() for label in oak.get_xticklabels()] == ["sand", "hair", "overall"]
    places = {(round(at), value) for at, value, _ in marks(oak)}
    assert places == {(0, 80), (0, 87), (1, 60), (1, 67), (2, 80), (2, 87)}
    left = [at for at, value, _ in marks(oak) if value in (80, 60)]
    right = [at for at, value, _ in marks(oak) if value in (87, 67)]
    assert all(one < other for one, other in zip(sorted(left), sorted(right), strict=True))
    assert intervals(shag) == [(35, 45), (35, 45), (42, 52), (42, 52)]


def test_a_single_run_is_hollow_and_has_no_interval():
    oak, _ = pickup_chart([HERON]).axes
    assert [filled for at, _, filled in marks(oak) if round(at) == 1] == [False]
    assert all(filled for at, _, filled in marks(oak) if round(at) != 1)
    assert intervals(oak) == [(78, 82), (78, 82)]


def test_pickup_against_coverage_has_both_intervals():
    figure = pickup_against_coverage([HERON, WREN], {"heron": Quantity(93, 0.5, (92, 94.5))})
    assert figure is not None
    oak, shag = figure.axes
    assert [(at, value) for at, value, _ in marks(oak)] == [(93, 80)]  # wren has no coverage
    across, up = (bar.get_segments()[0] for bar in shag.containers[0].lines[2])
    assert (across[:, 0].tolist(), up[:, 1].tolist()) == ([92, 94.5], [35, 45])


def test_coverage_of_a_single_run_is_hollow():
    coverage = {name: Quantity(93, 0.5, (92, 94)) for name in ("heron", "wren")}
    figure = pickup_against_coverage([HERON, WREN], coverage, {"wren"})
    assert figure is not None
    assert [(value, filled) for _, value, filled in marks(figure.axes[0])] == [(80, True), (87, False)]


def test_nothing_to_draw():
    assert pickup_against_coverage([HERON], {"wren": Quantity(1, 1, (0, 2))}) is None
    with pytest.raises(ValueError, match="no run is counted"):
        pickup_chart([replace(HERON, summaries=())])


def test_the_same_chart_gives_the_same_bytes():
    first, second = (figure_files(pickup_chart([HERON, WREN]), "pickup") for _ in range(2))
    assert first == second
    assert set(first) == {"pickup.png", "pickup.svg"}
    assert first["pickup.png"].startswith(b"\x89PNG")
    assert b">heron<" in first["pickup.svg"]
