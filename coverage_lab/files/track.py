"""The track of a run as a table."""

from __future__ import annotations

import csv
import io

import numpy as np

from coverage_lab.room.track import Track


def track_to_bytes(track: Track) -> bytes:
    """Return a track as CSV (RFC 4180): a row per pose, frames counted from 1.

    `followed` is 1 where the way from the pose before is known.
    """
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow(["frame", "t_s", "x_m", "y_m", "heading_deg", "followed"])
    followed = np.append(False, track.followed)
    for number, t_s, (x_m, y_m), heading, known in zip(
        track.frame, track.t_s, track.centre_m, np.rad2deg(track.heading_rad) % 360, followed, strict=True
    ):
        time = "" if np.isnan(t_s) else f"{t_s:.3f}"
        writer.writerow([number + 1, time, f"{x_m:.4f}", f"{y_m:.4f}", f"{heading:.2f}", int(known)])
    return table.getvalue().encode()
