"""The results folder: its shapes and bytes, and that a failure leaves what was there before."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from file_samples import only_refusal, sample_measures

from coverage_lab.errors import CannotWrite, ExitCode
from coverage_lab.files import store
from coverage_lab.files.plan import plan_to_bytes
from coverage_lab.files.results import (
    PlanArrays,
    measures_to_json,
    read_measures,
    read_plan,
    write_results,
)
from coverage_lab.files.summary import write_summary
from coverage_lab.measures.values import Measures
from coverage_lab.room.grid import FloorGrid

MADE = {"time": "2031-02-12T08:00:00Z", "host": "bench", "method": 1}
PNG = b"\x89PNG\r\n\x1a\n"


def sample_plan(**changes: Any) -> PlanArrays:
    grid = FloorGrid(-0.1, 3.1, 6, 8, 0.5)
    share = np.linspace(0, 1, 48, dtype=np.float32).reshape(6, 8)
    shares = {"swept": share, "free": share**2, "hidden": 1 - share, "reachable": share * 0}
    return PlanArrays(grid, **(shares | changes))


def test_smeared_floor_is_stored_where_there_is_any(tmp_path: Path):
    share = np.linspace(0, 1, 48, dtype=np.float32).reshape(6, 8) ** 2
    path = tmp_path / "plan.npz"
    path.write_bytes(plan_to_bytes(sample_plan(smeared=share)))
    assert read_plan(path).smeared == pytest.approx(share, abs=0.002)
    path.write_bytes(plan_to_bytes(sample_plan()))
    assert read_plan(path).smeared is None
    with pytest.raises(ValueError, match="smeared has the shape"):
        plan_to_bytes(sample_plan(smeared=share[:-1]))


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def validator() -> jsonschema.Draft202012Validator:
    schema = json.loads(files("coverage_lab.files").joinpath("measures.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def refused() -> Measures:
    """A refused run: nothing but who and why."""
    empty = dict.fromkeys(("camera", "floor", "coverage", "edges", "pockets", "pattern", "avoidance", "pen"))
    return sample_measures(verdict="refused", reason="no trail", **empty)


def test_numbers_are_rounded_by_kind():
    json_ = measures_to_json(sample_measures())
    assert json_["coverage"]["percent"] == {"value": 91.235, "u": 0.25, "interval_95": [90.735, 91.735]}
    assert json_["pockets"][0]["area_cm2"]["value"] == 123.46
    assert json_["pockets"][0]["pole_m"] == [1.2346, 0.9877]
    assert json_["edges"][0]["mean_mm"]["value"] == 12.35
    assert json_["edges"][0]["share_measured"] == 95.0  # percent, as all shares in results
    assert json_["camera"]["reprojection_rms_px"] == 0.1235
    assert json_["pattern"]["score"]["value"] == 87.65


def test_unknown_is_null_and_every_key_is_there():
    full, empty = measures_to_json(sample_measures()), measures_to_json(refused())
    keys = "schema run verdict reason quality camera floor coverage edges pockets pattern passes time avoidance pen"
    assert list(full) == list(empty) == keys.split()
    assert [key for key, value in empty.items() if value is None] == keys.split()[5:]
    assert full["coverage"]["bridged_m2"] is None
    assert full["coverage"]["zones"]["east"] is None
    assert (full["passes"], full["time"]) == (None, None)


@pytest.mark.parametrize("measures", [sample_measures(), refused()])
def test_numbers_fit_the_schema(measures: Measures):
    validator().validate(measures_to_json(measures))


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of each key whose value may be spoilt."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        if isinstance(value, dict) and path[-1:] not in (("conditions",), ("zones",), ("contributions",)):
            yield (*path, key)
        yield from places(inner, (*path, key))


@pytest.mark.parametrize("path", list(places(measures_to_json(sample_measures()))), ids=str)
def test_schema_misses_every_key_that_is_taken_out(path: tuple[Any, ...]):
    content = measures_to_json(sample_measures())
    holder: Any = content
    for key in path[:-1]:
        holder = holder[key]
    del holder[path[-1]]
    assert not validator().is_valid(content)


def test_same_numbers_same_bytes(tmp_path: Path):
    measures = sample_measures()
    turned = sample_measures(conditions=dict(reversed(measures.conditions.items())))
    for name, one in (("a", measures), ("b", turned)):
        write_results(tmp_path / name, one, MADE, sample_plan(), {"overlay.png": PNG})
    assert contents(tmp_path / "a") == contents(tmp_path / "b")
    assert set(contents(tmp_path / "a")) == {
        "measures.json",
        "made.json",
        "plan.npz",
        "overlay.png",
        "pockets.geojson",
    }
    assert contents(tmp_path / "a")["overlay.png"] == PNG
    assert json.loads(contents(tmp_path / "a")["made.json"]) == MADE
    assert read_measures(tmp_path / "a" / "measures.json") == measures_to_json(measures)


def test_negative_zero_is_zero():
    zero = measures_to_json(sample_measures(percent=-0.0001))["coverage"]["percent"]["value"]
    assert str(zero) == "0.0"


def test_a_number_that_is_none_is_never_stored(tmp_path: Path):
    with pytest.raises(ValueError, match="Out of range float"):
        write_results(tmp_path, sample_measures(percent=float("nan")), MADE, None, {})
    assert not list(tmp_path.iterdir())


def test_former_numbers_are_kept_once(tmp_path: Path):
    write_results(tmp_path, sample_measures(90.0), MADE, None, {})
    former = (tmp_path / "measures.json").read_bytes()
    write_results(tmp_path, sample_measures(90.0), MADE, None, {})
    assert not (tmp_path / "earlier").exists()
    write_results(tmp_path, sample_measures(91.0), MADE, None, {})
    kept = tmp_path / "earlier" / f"{hashlib.sha256(former).hexdigest()[:12]}.json"
    assert list((tmp_path / "earlier").iterdir()) == [kept]
    assert kept.read_bytes() == former


def test_no_picture_stays_beside_numbers_it_does_not_belong_to(tmp_path: Path):
    write_results(tmp_path, sample_measures(), MADE, sample_plan(), {"overlay.png": PNG})
    write_results(tmp_path, refused(), MADE, None, {})
    assert {path.name for path in tmp_path.iterdir()} == {"measures.json", "made.json", "earlier"}


def test_pockets_for_a_drawing_program(tmp_path: Path):
    write_results(tmp_path, sample_measures(), MADE, None, {})
    content = json.loads((tmp_path / "pockets.geojson").read_text(encoding="utf-8"))
    assert content["units"] == "m"
    (pocket,) = content["features"]
    assert pocket["properties"]["diameter_mm"] == 98.77
    ring = pocket["geometry"]["coordinates"][0]
    assert ring == [[1.0, 0.9], [1.3, 0.9], [1.3, 1.1], [1.0, 1.1], [1.0, 0.9]]  # counter-clockwise


def test_plan_comes_back_to_half_a_step(tmp_path: Path):
    first = np.arange(48, dtype=np.uint16).reshape(6, 8)
    plan = sample_plan(first_swept=first)
    write_results(tmp_path, sample_measures(), MADE, plan, {})
    read = read_plan(tmp_path / "plan.npz")
    assert read.grid == plan.grid
    for name in ("swept", "free", "hidden", "reachable"):
        assert getattr(read, name).dtype == np.float32
        np.testing.assert_allclose(getattr(read, name), getattr(plan, name), atol=0.5 / 255 + 1e-6)
    assert read.first_swept is not None
    np.testing.assert_array_equal(read.first_swept, first)
    with np.load(tmp_path / "plan.npz") as stored:
        assert stored["swept"].dtype == np.uint8


def test_plan_whose_arrays_do_not_fit(tmp_path: Path):
    with pytest.raises(ValueError, match="hidden has the shape"):
        write_results(tmp_path, sample_measures(), MADE, sample_plan(hidden=np.zeros((2, 2), np.float32)), {})


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04broken", b"\x93NUMPY"])
def test_stored_plan_that_is_broken(tmp_path: Path, content: bytes):
    (tmp_path / "plan.npz").write_bytes(content)
    only_refusal(lambda: read_plan(tmp_path / "plan.npz"), "plan.npz", "no stored plan", "Measure the run again")


def test_stored_plan_that_is_missing(tmp_path: Path):
    only_refusal(lambda: read_plan(tmp_path / "plan.npz"), "plan.npz", "no such file", "Measure the run first")


def test_measures_of_another_schema(tmp_path: Path):
    path = tmp_path / "measures.json"
    path.write_text('{"schema": "coverage-lab/measures/9"}')
    only_refusal(lambda: read_measures(path), "measures.json: schema", "measures/9", "Measure the run again")
    only_refusal(lambda: read_measures(tmp_path / "gone.json"), "no such file", "Measure the run first")


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_summary_has_a_row_per_run(tmp_path: Path):
    rows = [
        measures_to_json(sample_measures(key=f"n/heron-{repeat}", repeat=repeat, conditions={"floor": floor}))
        for repeat, floor in ((10, 'oak, "old"'), (9, "Büro"))
    ]
    rows.append(measures_to_json(refused()))
    write_summary(tmp_path, rows)
    table = read_csv(tmp_path / "summary.csv")
    assert [row["key"] for row in table] == ["2031-02-11/heron-1", "n/heron-9", "n/heron-10"]
    assert (table[0]["verdict"], table[0]["reason"], table[0]["coverage_percent"]) == ("refused", "no trail", "")
    assert (table[1]["coverage_percent"], table[1]["coverage_percent_low"]) == ("91.235", "90.735")
    assert (table[1]["pockets"], table[1]["largest_pocket_mm"], table[1]["quality"]) == ("1", "98.77", "hidden-floor")
    assert [row["condition floor"] for row in table] == ["vinyl", "Büro", 'oak, "old"']
    content = (tmp_path / "summary.csv").read_bytes()
    assert content.count(b"\r\n") == content.count(b"\n") == 4  # RFC 4180 ends lines with CRLF


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("=HYPERLINK(1)", "'=HYPERLINK(1)"),
        ("+cmd", "'+cmd"),
        ("-cmd", "'-cmd"),
        ("@sum", "'@sum"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("-3,5", "-3,5"),
        ("+21.5", "+21.5"),
        ("-1+2", "'-1+2"),
        ("a=b", "a=b"),
    ],
)
def test_summary_runs_nothing_in_a_spreadsheet(tmp_path: Path, text: str, stored: str):
    measures = sample_measures(conditions={"note": text}, reason=text)
    write_summary(tmp_path, [measures_to_json(measures)])
    (row,) = read_csv(tmp_path / "summary.csv")
    assert row["condition note"] == stored
    assert row["reason"] == stored


def test_numbers_below_zero_stay_numbers(tmp_path: Path):
    measures = sample_measures(percent=-0.5)  # an interval or estimate may fall below zero
    write_summary(tmp_path, [measures_to_json(measures)])
    assert read_csv(tmp_path / "summary.csv")[0]["coverage_percent"] == "-0.5"


def fill_the_disk(folder: Path) -> subprocess.CompletedProcess[str]:
    """Write results in a process whose picture is larger than any file may be, as on a disk that fills up halfway."""
    script = textwrap.dedent(
        """
        import resource, sys
        from pathlib import Path
        sys.path.insert(0, sys.argv[2])
        from coverage_lab.errors import CannotWrite
        from coverage_lab.files.results import write_results
        from file_samples import sample_measures
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
        try:
            write_results(Path(sys.argv[1]), sample_measures(50.0), {"a": 1}, None, {"overlay.png": bytes(30_000)})
        except CannotWrite as error:
            sys.stderr.write(str(error))
            sys.exit(int(error.exit_code))
        """
    )
    return subprocess.run(
        [sys.executable, "-B", "-c", script, str(folder), str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are a POSIX matter")
def test_full_disk_leaves_what_was_there(tmp_path: Path):
    write_results(tmp_path, sample_measures(), MADE, sample_plan(), {"overlay.png": PNG})
    before = contents(tmp_path)
    done = fill_the_disk(tmp_path)
    assert done.returncode == ExitCode.SOME_FAILED, done.stderr
    assert "the disk is full" in done.stderr and "Free some space" in done.stderr
    assert contents(tmp_path) == before  # nothing changed, no temporary file left


def test_read_only_folder_leaves_what_was_there():
    # In the system's own folder, since pytest's is closed to the unprivileged user that root becomes here.
    with tempfile.TemporaryDirectory() as name:
        top, folder = Path(name), Path(name) / "heron-1"
        write_results(folder, sample_measures(), MADE, None, {})
        before = contents(folder)
        top.chmod(0o755)
        folder.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            with pytest.raises(CannotWrite) as caught:
                write_results(folder, sample_measures(50.0), MADE, None, {"overlay.png": PNG})
        finally:
            if root:
                os.seteuid(0)
            folder.chmod(0o755)
        assert caught.value.exit_code == ExitCode.SOME_FAILED
        assert "read-only" in str(caught.value) and "Allow writing there" in str(caught.value)
        assert contents(folder) == before


def test_results_folder_that_is_a_file(tmp_path: Path):
    (tmp_path / "results").write_text("mine")
    with pytest.raises(CannotWrite, match="results: is a file, but results want a folder there"):
        write_results(tmp_path / "results" / "heron-1", sample_measures(), MADE, None, {})
    assert contents(tmp_path) == {"results": b"mine"}


def test_stored_files_can_be_read_by_others(tmp_path: Path):
    before = os.umask(0o022)
    try:
        store.write_file(tmp_path / "a", b"x")
    finally:
        os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o644
