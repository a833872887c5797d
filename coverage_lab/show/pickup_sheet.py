"""The run plan of a soil test to print and fill in: one HTML file that needs neither a server nor the network."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment, StrictUndefined

from coverage_lab.pickup.plan import PickupPlan


def plan_page(plan: PickupPlan) -> str:
    """Return the page, HTML: strip, doses, cautions and a row to fill in for each run. It prints to A4 across."""
    text = files("coverage_lab.show").joinpath("pages", "pickup", "plan.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    floors = [(floor, [run for run in plan.runs if run.floor == floor]) for floor in plan.settings.floors]
    return page.from_string(text).render(plan=plan, settings=plan.settings, strip=plan.strip, floors=floors)
