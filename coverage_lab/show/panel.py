"""The panel beside the plan: every number of the run, in sections that are pictures of one width."""

from __future__ import annotations

from collections.abc import Callable

from coverage_lab.job import Quality
from coverage_lab.measures.values import Coverage, Edge, Measures, MostDriven, Pocket
from coverage_lab.show.decoys import decoy_section
from coverage_lab.show.palette import ALARM, CAUTION, INK, Picture
from coverage_lab.show.rows import (
    UNKNOWN_TEXT,
    Column,
    blank,
    decimals,
    gauge,
    heading,
    line,
    meter,
    number,
    span,
    spread,
    stacked,
    table,
    triple,
)
from coverage_lab.show.text import BODY, LABEL, SMALL, Style, width_px, write

LISTED_POCKETS = 14
LISTED_EDGES = 14
LISTED_CONTRIBUTIONS = 5
LISTED_ZONES = 8
LISTED_PLACES = 3
LEVELS = {"refused": ALARM, "warning": CAUTION, "note": INK}


def sections(measures: Measures, column_px: int) -> list[Picture]:
    """Return the panel's sections in reading order, each `column_px` wide; what is unknown has no section."""
    draw: list[Callable[[Measures, int], Picture | None]] = [
        _coverage,
        decoy_section,
        _quality,
        _contributions,
        _in_time,
        _pattern,
        _pockets,
        _edges,
        _floor,
        _camera,
    ]
    drawn = (section(measures, column_px) for section in draw)
    return [picture for picture in drawn if picture is not None]


def _coverage(measures: Measures, wide: int) -> Picture | None:
    found = measures.coverage
    if found is None:
        return None
    low, high = found.percent.interval_95
    places = decimals((high - low) / 2)
    figure = blank(70, wide)
    style = Style(56, 400)
    used = write(figure, number(found.percent.value, places), (-2, 56), style)
    used += write(figure, "%", (used + 8, 56), Style(30, 400)) + 8
    write(figure, "95 % interval", (wide, 30), SMALL, "right", wide - used - 16)
    write(figure, f"{span((low, high), places)} %", (wide, 55), Style(20, 500), "right", wide - used - 16)
    rows = [heading("Coverage of the visible floor", wide), figure]
    rows.append(gauge(found.percent.value, found.whole_floor_95, wide))
    reachable = found.percent_of_reachable
    if reachable is not None:
        part = decimals((reachable.interval_95[1] - reachable.interval_95[0]) / 2)
        note = f"{span(reachable.interval_95, part)} %"
        rows.append(triple("of the reachable floor", f"{number(reachable.value, part)} %", note, wide))
    rows.append(triple("whole floor, bounds", "", f"{span(found.whole_floor_95, places)} %", wide))
    area = f"{span(found.swept_m2.interval_95, 2)} m²"
    rows.append(triple("area swept", f"{number(found.swept_m2.value, 2)} m²", area, wide))
    if found.bridged_m2 is not None:
        rows.append(triple("of it bridged over gaps", f"{number(found.bridged_m2, 2)} m²", "", wide))
    return stacked(rows + _zones(found, wide))


def _in_time(measures: Measures, wide: int) -> Picture | None:
    """What the run was like in time, as far as it is known."""
    timing, passes = measures.timing, measures.passes
    rows = []
    if timing is not None and timing.duration_s is not None:
        doubt = "" if timing.duration_u_s is None else f"± {_minutes(timing.duration_u_s)}"
        rows.append(triple("from first to last movement", _minutes(timing.duration_s), doubt, wide))
        if timing.still_s:
            rows.append(triple("of it stood still", _minutes(timing.still_s), "", wide))
    if timing is not None:
        reached = {f"to {name} %": t_s for name, t_s in timing.time_to_s.items() if name in ("80", "90") and t_s}
        rows += [triple(label, _minutes(t_s), "", wide) for label, t_s in reached.items()]
    if timing is not None and timing.distance_m is not None:
        rows.append(
            triple(
                "driven", f"{number(timing.distance_m.value, 0)} m", f"{span(timing.distance_m.interval_95, 0)} m", wide
            )
        )
    if passes is not None and passes.repeat_ratio is not None:
        ratio = passes.repeat_ratio
        rows.append(triple("passed over, times swept floor", number(ratio.value, 1), span(ratio.interval_95, 1), wide))
    if passes is not None and passes.visits is not None:
        shares = [number(passes.visits[name], 0) for name in ("once", "twice", "more")]
        rows.append(triple("visited once, twice, more", f"{' · '.join(shares)} %", "", wide))
    if passes is not None:
        rows += [_often(place, wide) for place in (passes.most_driven or ())[:LISTED_PLACES]]
    note = "" if timing is None or timing.frames < 2 else f"{timing.frames} frames"
    return stacked([heading("In time", wide, note), *rows]) if rows else None


def _often(place: MostDriven, wide: int) -> Picture:
    x_m, y_m = place.pole_m
    area = f"{span(place.area_cm2.interval_95, 0)} cm²"
    return triple(f"most driven: x {number(x_m, 2)} m, y {number(y_m, 2)} m", f"{number(place.visits, 0)}×", area, wide)


def _minutes(seconds: float) -> str:
    return f"{int(seconds // 60)} min {seconds % 60:02.0f} s" if seconds >= 60 else f"{seconds:.0f} s"


def _zones(found: Coverage, wide: int) -> list[Picture]:
    rows = []
    for name, share in list(found.zones.items())[:LISTED_ZONES]:
        if share is None:
            rows.append(triple(f"zone {name}", UNKNOWN_TEXT, "", wide))
        else:
            places = decimals((share.interval_95[1] - share.interval_95[0]) / 2)
            value, note = f"{number(share.value, places)} %", f"{span(share.interval_95, places)} %"
            rows.append(triple(f"zone {name}", value, note, wide))
    more = len(found.zones) - LISTED_ZONES
    return [*rows, line(f"and {more} more zones", wide, SMALL)] if more > 0 else rows


def _quality(measures: Measures, wide: int) -> Picture:
    rows = [heading("Remarks on the picture", wide)]
    order = ("refused", "warning", "note")
    for remark in sorted(measures.quality, key=lambda q: order.index(q.level)):
        rows.extend(_remark(remark, wide))
    if not measures.quality:
        rows.append(line("none", wide, LABEL))
    return stacked(rows)


def _remark(remark: Quality, wide: int) -> list[Picture]:
    colour = LEVELS[remark.level]
    head = blank(24, wide)
    level = Style(15, 600, colour)
    used = write(head, remark.level, (14, 17), level, room_px=wide - 14)
    head[6:20, :5] = colour
    write(head, remark.code, (14 + used + 10, 17), BODY, room_px=wide - used - 24)
    return [head, line(remark.text, wide, LABEL, most_lines=3, indent_px=14)]


def _contributions(measures: Measures, wide: int) -> Picture | None:
    found = measures.coverage
    if found is None or not found.contributions:
        return None
    ranked = sorted(found.contributions.items(), key=lambda item: (-item[1].points, item[0]))
    largest = max(ranked[0][1].points, 1e-9)
    rows = [heading("What the uncertainty is made of", wide, "u in points · shared by")]
    for name, part in ranked[:LISTED_CONTRIBUTIONS]:
        rows.append(meter(name, number(part.points, 2), part.points / largest, part.shared_by, wide))
    if len(ranked) > LISTED_CONTRIBUTIONS:
        rows.append(line(f"and {len(ranked) - LISTED_CONTRIBUTIONS} smaller", wide, SMALL))
    return stacked(rows)


def _pattern(measures: Measures, wide: int) -> Picture | None:
    found = measures.pattern
    if found is None:
        return None
    row = blank(46, wide)
    used = write(row, number(found.score.value, 0), (-1, 35), Style(34, 400))
    used += write(row, found.label, (used + 12, 35), Style(18, 500), room_px=wide // 2) + 12
    write(row, f"95 %: {span(found.score.interval_95, 0)}", (wide, 35), LABEL, "right", wide - used - 12)
    rows = [heading("Driving pattern", wide, "0 random · 100 perfect lanes"), row]
    parts = {"alignment": found.alignment, "spacing": found.spacing, "straightness": found.straightness}
    rows += [meter(name, number(value, 2), value, "", wide) for name, value in parts.items()]
    return stacked(rows)


def _pockets(measures: Measures, wide: int) -> Picture | None:
    pockets = measures.pockets
    if pockets is None:
        return None
    if not pockets:
        return stacked([heading("Pockets of missed floor", wide), line("none", wide, LABEL)])
    ranked = sorted(pockets, key=lambda pocket: pocket.id)
    columns = [
        Column("no.", 0.055, 0.055),
        Column("diam. mm", 0.225, 0.16),
        Column("area cm²", 0.43, 0.20),
        Column("", 0.435, 0.02, "left"),
        Column("at x, y m", 0.62, 0.17),
        Column("place", 0.655, 0.345, "left"),
    ]
    rows = [heading("Pockets of missed floor", wide, f"{len(pockets)} found")]
    places = 0 if max(pocket.area_cm2.value for pocket in pockets) >= 1000 else 1
    rows.append(table(columns, [_pocket_cells(pocket, places) for pocket in ranked[:LISTED_POCKETS]], wide))
    rest = ranked[LISTED_POCKETS:]
    if rest:
        widest = max(pocket.diameter_mm.value for pocket in rest)
        total = sum(pocket.area_cm2.value for pocket in rest)
        text = f"and {len(rest)} more, {number(total, 0)} cm² together, none over {number(widest, 0)} mm"
        rows.append(line(text, wide, SMALL))
    if any(pocket.touches_hidden for pocket in ranked):
        rows.append(line("* touches hidden floor and may be larger", wide, SMALL))
    return stacked(rows)


def _pocket_cells(pocket: Pocket, places: int) -> list[str]:
    place = pocket.place if pocket.near is None else f"{pocket.place}: {pocket.near}"
    x_m, y_m = pocket.pole_m
    at = f"{number(x_m, 2)}, {number(y_m, 2)}"
    area, mark = spread(pocket.area_cm2, places), "*" if pocket.touches_hidden else ""
    return [str(pocket.id), spread(pocket.diameter_mm, 0), area, mark, at, place]


def _edges(measures: Measures, wide: int) -> Picture | None:
    edges = measures.edges
    if not edges:
        return None
    walls_first = sorted(edges, key=lambda edge: edge.bearing_deg is None)
    columns = [
        Column("along", 0.0, 0.34, "left"),
        Column("faces", 0.44, 0.10),
        Column("mean mm", 0.64, 0.19),
        Column("95 % within mm", 0.86, 0.21),
        Column("seen", 1.0, 0.13),
    ]
    rows = [heading("Distance from edges to the first swept floor", wide)]
    rows.append(table(columns, [_edge_cells(edge) for edge in walls_first[:LISTED_EDGES]], wide))
    if len(edges) > LISTED_EDGES:
        rows.append(line(f"and {len(edges) - LISTED_EDGES} more", wide, SMALL))
    return stacked(rows)


def _edge_cells(edge: Edge) -> list[str]:
    faces = UNKNOWN_TEXT if edge.bearing_deg is None else f"{number(edge.bearing_deg, 0)}°"
    p95 = UNKNOWN_TEXT if edge.p95_mm is None else number(edge.p95_mm, 0)
    return [edge.along, faces, spread(edge.mean_mm, 1), p95, f"{number(100 * edge.share_measured, 0)} %"]


def _floor(measures: Measures, wide: int) -> Picture | None:
    found = measures.floor
    if found is None:
        return None
    rows = [heading("Floor", wide)]
    shares = {
        "visible": found.visible_m2,
        "hidden from the camera": found.hidden_m2,
        "reachable": found.reachable_m2,
        "fringe": found.fringe_m2,
    }
    rows.append(triple("free", f"{number(found.free_m2, 3)} m²", "100 %", wide))
    for name, area in shares.items():
        note = f"{number(100 * area / found.free_m2, 1)} %" if found.free_m2 > 0 else UNKNOWN_TEXT
        rows.append(triple(name, f"{number(area, 3)} m²", note, wide))
    return stacked(rows)


def _camera(measures: Measures, wide: int) -> Picture | None:
    found = measures.camera
    if found is None:
        return None
    rows = [heading("Camera", wide)]
    rms = f"{number(found.reprojection_rms_mm, 2)} mm", f"{number(found.reprojection_rms_px, 2)} px"
    rows.append(triple("markers' residual, r.m.s.", *rms, wide))
    x_m, y_m, _ = found.centre_m
    foot = f"above {number(x_m, 2)}, {number(y_m, 2)} m"
    rows.append(triple("height over the floor", f"{number(found.height_m, 3)} m", foot, wide))
    rows.append(triple("markers used", str(found.markers_used), "", wide))
    if found.markers_dropped:
        rows.append(line("left out: " + ", ".join(found.markers_dropped), wide, LABEL, most_lines=2))
    return stacked(rows)


def header(measures: Measures, wide: int) -> Picture:
    """Return the head of the sheet: which run this is, and its verdict."""
    row = blank(70, wide)
    colour = INK if measures.verdict == "measured" else ALARM
    verdict = Style(22, 500, colour)
    room = wide - width_px(measures.verdict, verdict) - 40
    write(row, measures.key, (-1, 33), Style(32, 500), room_px=room)
    write(row, measures.verdict, (wide, 32), verdict, "right")
    repeat = "" if measures.repeat is None else f"repeat {measures.repeat}"
    facts = [f"robot {measures.robot}", repeat, f"{measures.trial} trial"]
    facts += [f"{name} {value}" for name, value in measures.conditions.items() if value]
    write(row, "  ·  ".join(fact for fact in facts if fact), (0, 60), LABEL, room_px=wide)
    return row


def refusal(measures: Measures, wide: int) -> Picture:
    """Return why there is no number, large enough to be seen before anything else."""
    text = f"No number: {measures.reason or 'no reason was given'}"
    body = line(text, wide - 32, Style(30, 500, ALARM), most_lines=5)
    sheet = blank(body.shape[0] + 16, wide)
    sheet[8 : 8 + body.shape[0], 32:] = body
    sheet[:, :8] = ALARM
    return sheet
