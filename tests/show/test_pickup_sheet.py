"""The printed plan of soil tests: all runs, all cautions, on A4, and nothing from outside the file."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

from coverage_lab.pickup.plan import PickupPlan, plan_runs
from coverage_lab.pickup.settings import DEFAULTS
from coverage_lab.show.pickup_sheet import plan_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser

MM_PER_POINT = 25.4 / 72


def plan(robot: str = "heron") -> PickupPlan:
    return plan_runs(robot, Decimal(280), Decimal(700), DEFAULTS, seed=1)


def test_every_run_has_its_row_with_dose_and_window():
    made = plan()
    page = plan_page(made)
    rows = re.findall(r"<tr><th scope=\"row\">(.*?)</tr>", page)
    assert len(rows) == len(made.runs) == 21
    for row, run in zip(rows, made.runs, strict=True):
        assert row.startswith(f"{run.run}<")
        assert f"<b>{run.dose.target_g}</b>" in row
        assert f"{run.dose.low_g} – {run.dose.high_g}" in row
        assert row.count('class="fill"></td>') == 4  # bin empty, soil, bin after, bin cleaned


def test_cautions_name_their_sources_and_who_comes_first():
    page = plan_page(plan())
    for words in ("29 CFR 1910.1053", "0.05 mg/m³", "NIOSH", "ACGIH", "SHIB 01-18-2019", "Brushes", "allergens"):
        assert words in page
    assert "Local codes" in page
    assert "licensed" in page


def test_a_name_cannot_become_part_of_the_page():
    page = plan_page(plan('<script>alert("x")</script>'))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_it_prints_on_two_sheets_of_a4(browser: Browser):
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_content(plan_page(plan()))
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    sizes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
    assert [(round(float(w) * MM_PER_POINT), round(float(h) * MM_PER_POINT)) for w, h in sizes] == [(297, 210)] * 2
    assert not asked
