"""What `coverage-lab room check` prints: a table, and what would lower the uncertainty most."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from coverage_lab.season.room_check import RoomCheck

_SHOWN_GAINS = 6
_WIDE = 240  # columns: in a file or a pipe lines stay whole


def print_check(check: RoomCheck) -> None:
    """Print to standard output what was looked at, what to mend, and the verdict last."""
    console = Console(highlight=False, markup=False)
    if not console.is_terminal:
        console.width = _WIDE
    table = Table("", "what", "value", "limit", box=None, pad_edge=False)
    for line in check.lines:
        table.add_row(line.state, line.what, line.value, line.limit)
    console.print(table)
    for line in check.lines:
        if line.mend:
            console.print(f"{line.state}: {line.what}: {line.mend}", soft_wrap=True)
    if check.hidden:
        free_m2 = check.plan.free.area if check.plan is not None else 0.0
        console.print("hidden floor, by what hides it:")
        for name, area in check.hidden.items():
            console.print(f"  {name}: {area.area:.2f} m², {100 * area.area / free_m2:.1f} %", soft_wrap=True)
    if check.better:
        console.print(f"what would lower the uncertainty of {check.forecasts[0].robot.name} most:")
        for one in check.better[:_SHOWN_GAINS]:
            console.print(f"  {one}", soft_wrap=True)
    console.print("go" if check.go else "NO-GO")
