"""The drawing page in a real browser, and what a user does to it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Page, Route

from coverage_lab.files.room import read_room
from coverage_lab.room.room import Room


@dataclass
class Drawing:
    """An open page and what a user does to it, in millimetres of the room."""

    page: Page
    folder: Path
    noises: list[str] = field(default_factory=list)  # console messages, page errors, requests that left the page

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """The whole pixel nearest to a place: a mouse meets no others."""
        where = self.page.evaluate(
            "([x, y]) => { const b = drawing.getBoundingClientRect(), s = mmPerPixel(), d = toDrawing([x, y]);"
            " return [b.left + d[0] / s, b.top + d[1] / s]; }",
            [x_mm, y_mm],
        )
        return round(where[0]), round(where[1])

    def click(self, *places_mm: tuple[float, float], free: bool = False) -> None:
        if free:
            self.page.keyboard.down("Alt")
        for place in places_mm:
            self.page.mouse.click(*self.at(*place))
        if free:
            self.page.keyboard.up("Alt")

    def choose(self, role: str, tool: str) -> None:
        self.page.locator(f"label:has(input[name=role][value={role}])").click()
        self.page.locator(f"label:has(input[name=tool][value={tool}])").click()

    def outline(self, role: str, *corners_mm: tuple[float, float]) -> None:
        self.choose(role, "polygon")
        self.click(*corners_mm, corners_mm[0])

    def write(self, field_name: str, value: str) -> None:
        self.page.fill(f"#field-{field_name}", value)
        self.page.press(f"#field-{field_name}", "Tab")

    def save(self) -> dict[str, Any]:
        with self.page.expect_download() as download:
            self.page.click("#save")
        path = self.folder / "room.geojson"
        download.value.save_as(path)
        saved: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return saved

    def room(self) -> Room:
        self.save()
        return read_room(self.folder / "room.geojson")

    def mistakes(self) -> list[str]:
        return self.page.locator("#mistakes li").all_text_contents()


def open_drawing(context: BrowserContext, path: Path) -> Drawing:
    """Open the page at `path`; what is saved goes to a room.geojson beside it."""
    page = context.new_page()
    drawing = Drawing(page, path.parent)

    def refuse(route: Route) -> None:
        if route.request.url != path.as_uri() and not route.request.url.startswith(("data:", "blob:")):
            drawing.noises.append(route.request.url)
        route.continue_()

    page.route("**/*", refuse)
    page.on("console", lambda message: drawing.noises.append(message.text))
    page.on("pageerror", lambda error: drawing.noises.append(str(error)))
    page.goto(path.as_uri())
    return drawing
