"""The page to take into the test room: what to prepare, which robot drives when, and room to write."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class NightPage:
    """What is printed of a night to be."""

    night: str
    order: str  # how the order came about
    runs: Sequence[tuple[str, str, int | None]]  # of each row, run, robot and block; a line parts the blocks
    pictures: Sequence[tuple[str, str]]  # of each picture to take besides, its file and what it is
    height: str  # of the camera, as stated so far
    effort: Sequence[tuple[str, str]]  # what and how much
    robots: Sequence[tuple[str, str, str]]  # name, nozzle, bar's height; mm, to be checked against the robot


def night_page(page: NightPage) -> str:
    """Return the page, HTML: one file without scripts that prints on A4 or US letter paper, portrait."""
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(_part("night.html"))
    return template.render(page=page, style=Markup(_part("night.css")))


def _part(name: str) -> str:
    return files(__package__).joinpath("pages", "night", name).read_text(encoding="utf-8")
