"""From a night to the page on which its room is drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import MultiPoint, Polygon

from coverage_lab.camera.model import Camera
from coverage_lab.errors import BadInput, CoverageLabError, Problem
from coverage_lab.files.lens import read_lens
from coverage_lab.files.room import Draft, read_draft
from coverage_lab.frames.read import read_frame
from coverage_lab.job import Night
from coverage_lab.room.grid import FloorGrid
from coverage_lab.setting import locate
from coverage_lab.show.trace import FloorPicture, trace_page
from coverage_lab.trails.rectify import floor_per_pixel_m, plan_view, seen_area

_AROUND_FLOOR_M = 0.15  # what is shown beyond the walls
_AROUND_MARKERS_M = 1.5  # where nobody has drawn the walls yet
_FINEST_CELL_M = 0.002
_LONGEST_SIDE = 2400  # cells: a page of one or two megabytes


def page_of(night: Night) -> str:
    """Return the page for the room of `night`, HTML.

    The room file needs markers that the reference frame shows (or the night its hand-picked corners); floor and
    furniture may be missing or wrong. Raises BadInput, UnreadableFrame, and Refused where the camera is not found.
    """
    if night.reference is None:
        wrong = "is missing: a room is drawn on a lights-on frame"
        raise BadInput(Problem(night.folder / "night.toml", "reference", wrong, 'Add reference = "reference.jpg"'))
    draft = read_draft(night.room)
    reference = read_frame(night.reference)
    lens = None if night.lens is None else read_lens(night.lens)
    try:
        camera = locate(reference, night, draft.markers, lens).fit.camera
    except CoverageLabError as error:
        # A room file in another unit hides behind a camera that does not fit.
        raise BadInput([*draft.problems, *error.problems]) from None
    grid = _shown(camera, draft, [corner.floor_m for corner in night.camera.corners])
    x_m, y_m, z_m = (float(part) for part in camera.centre_m)
    floor = FloorPicture(
        light=plan_view(reference.light, camera, grid, 0.0),
        west_m=grid.west_m,
        north_m=grid.north_m,
        cell_m=grid.cell_m,
        camera_m=(x_m, y_m, z_m),
    )
    remarks = [": ".join(filter(None, [problem.field, problem.wrong])) for problem in draft.problems]
    return trace_page(night.name, floor, draft.geojson, remarks)


def _shown(camera: Camera, draft: Draft, corners_m: Sequence[tuple[float, float]]) -> FloorGrid:
    """Return the cells of the floor picture: the floor and a little beyond, or what lies about the markers."""
    area = draft.floor
    if area is None:
        known = MultiPoint([*(marker.centre_m for marker in draft.markers), *corners_m]).envelope
        area = known.buffer(_AROUND_MARKERS_M, join_style="mitre").intersection(seen_area(camera, 0.0))
    west, south, east, north = area.bounds
    fine_m = floor_per_pixel_m(camera, FloorGrid.over(area, 0.01, 0.0), 0.0)
    cell_m = max(_FINEST_CELL_M, fine_m, (max(east - west, north - south) + 2 * _AROUND_FLOOR_M) / _LONGEST_SIDE)
    return FloorGrid.over(Polygon(area.convex_hull), float(np.ceil(cell_m * 1000) / 1000), _AROUND_FLOOR_M)
