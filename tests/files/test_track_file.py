"""The track as a table: a row per pose, told as people read it."""

from __future__ import annotations

import csv
import io

import numpy as np

from coverage_lab.files.track import track_to_bytes
from coverage_lab.room.track import Track

TRACK = Track(
    t_s=np.array([0.0, 3.5, 4.0]),
    centre_m=np.array([[0.5, 0.25], [1.5, 0.25], [1.51, 0.3]]),
    heading_rad=np.array([0.0, -np.pi / 2, 2 * np.pi]),
    frame=np.array([0, 0, 2]),
    followed=np.array([True, False]),
    u_m=0.01,
)


def test_each_pose_is_a_row():
    rows = list(csv.DictReader(io.StringIO(track_to_bytes(TRACK).decode())))
    assert [row["frame"] for row in rows] == ["1", "1", "3"]
    assert [row["followed"] for row in rows] == ["0", "1", "0"]
    assert [float(row["heading_deg"]) for row in rows] == [0.0, 270.0, 0.0]
    assert (rows[1]["x_m"], rows[1]["y_m"], rows[1]["t_s"]) == ("1.5000", "0.2500", "3.500")


def test_without_a_clock_times_are_left_out():
    blind = Track(np.full(3, np.nan), TRACK.centre_m, TRACK.heading_rad, TRACK.frame, TRACK.followed, 0.01)
    rows = list(csv.DictReader(io.StringIO(track_to_bytes(blind).decode())))
    assert {row["t_s"] for row in rows} == {""}
