"""Follows docs/guide.md word by word: writes its files, runs its commands, and takes its pictures by simulation.

What the guide's files state is taken from them; what is photographed differs from it within the stated tolerances.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from boards import photograph, poses
from followed import run_commands
from shapely import box

from coverage_lab.camera.model import Camera
from coverage_lab.files.robots import read_robots
from coverage_lab.files.room import read_draft, write_room
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.simulate.cameras import ceiling_camera
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.robots import Driver, Manner, drive
from coverage_lab.simulate.scene import Scene, look_down
from coverage_lab.simulate.sensor import write_picture
from coverage_lab.simulate.truth import run_truth

PAGE = Path(__file__).parents[2] / "docs" / "guide.md"
FLOOR = box(0, 0, 3.2, 2.6)
FURNITURE = (Obstacle("chest", box(0.2, 2.2, 1.0, 2.6), 0.45), Obstacle("crate", box(1.9, 1.05, 2.35, 1.4), 0.3))
DOCK_M = (2.3, 0.25)
MANNERS: dict[str, Manner] = {"heron": "lanes left out", "wren": "slanted lanes"}
CAMERA_M = 2.506  # floor to lens; the guide's tape reads 2500 mm
BOARDS = 15
RIGHT, BURNT = 0.25, 8.0  # light of a single pass, in shares of full scale
LEAK = 0.04  # what leaks into the room, over the light of a single pass


@dataclass(frozen=True)
class Hands:
    """Does by simulation what the guide asks of its reader; everything goes into the folder it is followed in."""

    folder: Path

    @property
    def night(self) -> Path:
        return self.folder / "season-2031" / "2031-02-11"

    @cached_property
    def camera(self) -> Camera:
        return ceiling_camera(FLOOR, megapixels=0.69, height_m=CAMERA_M, rng=np.random.default_rng(31))

    @cached_property
    def room(self) -> Room:
        """The room as it is: each marker of the guide's file lies up to its tolerance beside where it says."""
        rng = np.random.default_rng(32)
        markers = tuple(
            replace(marker, centre_m=tuple((marker.centre_m + marker.tolerance_m * rng.uniform(-1, 1, 2)).tolist()))
            for marker in read_draft(self.night / "room.geojson").markers
        )
        return Room(floor=FLOOR, obstacles=FURNITURE, markers=markers, dock_m=DOCK_M)

    @cached_property
    def scene(self) -> Scene:
        return look_down(self.room, self.camera, np.random.default_rng(33))

    def shoot_board(self) -> None:
        place = self.folder / "board"
        place.mkdir()
        for number, (rotation, shift) in enumerate(poses(BOARDS, 5, self.camera.lens), start=1):
            picture = photograph(self.camera.lens, rotation, shift, seed=number)
            write_picture(place / f"board-{number:02}.jpg", cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), jpeg_quality=95)

    def shoot_reference(self) -> None:
        write_picture(self.night / "reference.jpg", reference_frame(self.scene, np.random.default_rng(34)))

    def draw_room(self) -> None:
        """Save what the page would: the floor and furniture drawn to 5 mm, and the file's markers as they were."""
        stated = read_draft(self.night / "room.geojson").markers
        write_room(replace(self.room, markers=stated), self.night / "room.geojson")

    def shoot_ambient(self) -> None:
        """Photograph the dark room without a robot, with the settings of the right exposure."""
        self._expose("wren-1", self.night / "ambient.jpg", Exposure(0.0, leak=LEAK * RIGHT))

    def shoot(self, run: str, level: float = RIGHT, leak: float = LEAK) -> None:
        self._expose(run, self.night / f"{run}.jpg", Exposure(level, leak=leak * level))

    def _driven(self, run: str) -> tuple[Driver, np.ndarray]:
        """The robot of a run, its bar off in height within the tolerance, and the poses of its drive."""
        name, repeat = run.split("-")
        robot = read_robots(self.night, {}, None, [])[name]
        off_m = robot.bar.height_tolerance_m * {"heron": 0.6, "wren": -0.4}[name]
        robot = replace(robot, bar=replace(robot.bar, height_m=robot.bar.height_m + off_m))
        driver = Driver(robot, MANNERS[name])
        return driver, drive(driver, self.room, np.random.default_rng([35, len(name), int(repeat)]))

    def _expose(self, run: str, path: Path, exposure: Exposure) -> None:
        driver, driven = self._driven(run)
        rng = np.random.default_rng([36, len(path.stem), *path.stem.encode()])
        write_picture(path, expose(driven, driver.robot.bar, self.scene, exposure, rng))

    def shoot_again(self) -> None:
        self.shoot("wren-1")
        self.shoot_ambient()

    def shoot_the_others(self) -> None:
        for run in ("heron-1", "heron-2", "wren-2"):
            self.shoot(run)

    def truth(self, run: str) -> dict[str, Any]:
        driver, driven = self._driven(run)
        return run_truth(driven, driver.robot, self.room, self.camera)


# What is done at the beginning of each section, before what its blocks say.
DONE_BY_HAND: dict[str, Callable[[Hands], None]] = {
    "3. Calibrate the lens": Hands.shoot_board,
    "6. Draw the room": Hands.shoot_reference,
    "7. Check the set-up": Hands.draw_room,
    "8. The first exposure": lambda hands: hands.shoot("wren-1", BURNT),
    "Again, five stops down": Hands.shoot_again,
    "11. The other runs, and which robot is better": Hands.shoot_the_others,
}


@dataclass(frozen=True)
class Step:
    """A block of commands, what the page says comes of it, and what came of it."""

    commands: str
    says_code: int
    says: tuple[str, ...]  # lines that are printed, among others
    code: int
    printed: tuple[str, ...]


def sections() -> Iterator[tuple[str, str]]:
    """Heading and text of each section of the page."""
    _, *rest = re.split(r"^##+ (.*)\n", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return zip(rest[::2], rest[1::2], strict=True)


def follow(hands: Hands) -> list[Step]:
    """Do what the page says, in its order, in the folder of `hands`; return its commands and what came of them."""
    steps = []
    for heading, text in sections():
        DONE_BY_HAND.get(heading, lambda hands: None)(hands)
        words, *rest = re.split(r"^```(\w*)\n(.*?)^```$\n", text, flags=re.MULTILINE | re.DOTALL)
        blocks = [*zip(rest[::3], rest[1::3], rest[2::3], strict=True), ("end", "", "")]
        for (kind, block, after), (kind_next, block_next, after_next) in pairwise(blocks):
            if kind in ("toml", "json"):
                path = re.findall(rf"`(season-[^`]*\.(?:{kind}|geojson))`", words)[-1]
                (hands.folder / path).write_text(block, "utf-8")
            elif kind == "bash":
                shows = kind_next == ""
                code = re.search(r"exit code is (\d+)", after + after_next * shows)
                says = tuple(block_next.splitlines()) * shows
                steps.append(Step(block, int(code[1]) if code else 0, says, *run_commands(block, hands.folder)))
            words = after
    return steps
