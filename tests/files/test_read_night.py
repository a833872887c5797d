"""`night.toml` and `robots.toml`: what is read, and that each mistake is named with file, key and mend."""

from __future__ import annotations

import pickle
from pathlib import Path
from unicodedata import normalize

import pytest
from file_samples import ROBOTS_TOML, only_refusal, refusal

from coverage_lab.errors import BadInput
from coverage_lab.files.night import find_nights, read_night, read_night_to_be, results_folder
from coverage_lab.job import Bar, PickedCorner, Robot, Settings

FULL_NIGHT = """\
room = "large.geojson"
reference = "reference.jpg"
reference_after = "after.jpg"
lens = "lens.json"
dark = "dark.png"
ambient = "ambient.png"

[camera]
source = "raw"
height_mm = 2750
height_tolerance_mm = 20
clock_offset_s = -3.5
timezone = "Europe/Paris"

[[camera.corners]]
pixel = [10.5, 20]
floor_mm = [1000, 2000]

[settings]
cell_mm = 4
smallest_pocket_mm = 50
edge_step_mm = 5

[robot.heron]
nozzle_mm = 230

[robot.owl]
nozzle_mm = 200
led_count = 21
lit_length_mm = 195
bar_height_mm = 90
bar_height_tolerance_mm = 1
bar_forward_mm = 30
body_diameter_mm = 320
body_height_mm = 92
"""


def write(night: Path, text: str) -> None:
    (night / "night.toml").write_text(text, encoding="utf-8")


def spoil_robot(night: Path, old: str, new: str) -> None:
    assert old in ROBOTS_TOML
    (night.parent / "robots.toml").write_text(ROBOTS_TOML.replace(old, new, 1), encoding="utf-8")


def test_full_night_in_si(night: Path):
    write(night, FULL_NIGHT)
    (night.parent / "rooms").mkdir()
    (night / "room.geojson").rename(night.parent / "rooms" / "large.geojson")
    for name in ("after.jpg", "lens.json", "dark.png", "ambient.png"):
        (night / name).touch()
    read = read_night(night)
    assert read.name == "2031-02-11"
    assert read.room == (night.parent / "rooms" / "large.geojson").resolve()
    assert [p.name for p in (read.reference, read.reference_after, read.lens, read.dark, read.ambient) if p] == [
        "reference.jpg",
        "after.jpg",
        "lens.json",
        "dark.png",
        "ambient.png",
    ]
    assert (read.camera.source, read.camera.height_m, read.camera.height_tolerance_m) == ("raw", 2.75, 0.02)
    assert (read.camera.clock_offset_s, read.camera.timezone) == (-3.5, "Europe/Paris")
    assert read.camera.corners == (PickedCorner((10.5, 20.0), (1.0, 2.0)),)
    assert read.settings == Settings(0.004, 0.05, 0.005)
    assert read.robots["heron"] == Robot("heron", Bar(0.23, 14, 0.215, 0.095, 0.002, 0.0), 0.33, 0.098)
    assert read.robots["wren"].bar.forward_m == -0.04
    assert read.robots["owl"].bar == Bar(0.2, 21, 0.195, 0.09, 0.001, 0.03)
    assert results_folder(read, "heron-1") == night.resolve() / "results" / "heron-1"


def test_defaults(night: Path):
    read = read_night(night)
    assert read.room == night.resolve() / "room.geojson"
    assert read.settings == Settings()
    assert (read.lens, read.dark, read.ambient, read.reference_after) == (None, None, None, None)
    assert read.camera.height_m is None


def test_register_beside_the_night_and_byte_order_mark(night: Path):
    (night.parent / "robots.toml").rename(night / "robots.toml")
    (night / "night.toml").write_text('reference = "reference.jpg"\n', encoding="utf-8-sig")
    assert set(read_night(night).robots) == {"heron", "wren"}


def test_rendered_nights_are_read(rendered: Path):
    nights = [read_night(folder) for folder in find_nights(rendered)]
    assert [night.name for night in nights][:3] == ["bounce", "camera-look", "clipped"]
    assert all(0.16 <= night.robots["heron"].bar.nozzle_m <= 0.24 for night in nights)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("nozzle_mm = 220", "nozzle_mm = 0.22", ["heron.nozzle_mm", "looks like metres", "Write 220:"]),
        ("nozzle_mm = 220", "nozzle_mm = 8.7", ["heron.nozzle_mm", "inches", "or 221:"]),
        ("nozzle_mm = 220", "nozzle_mm = 22", ["heron.nozzle_mm", "centimetres", "220 or"]),
        ("nozzle_mm = 220", "nozzle_mm = 2200", ["heron.nozzle_mm", "out of range", "Give 50 to 700 mm"]),
        ("nozzle_mm = 220", 'nozzle_mm = "220"', ["heron.nozzle_mm", "not a number", "without quotes"]),
        ("nozzle_mm = 220", "nozzle_mm = nan", ["heron.nozzle_mm", "not a number"]),
        ("nozzle_mm = 220", "nozzle_mm = true", ["heron.nozzle_mm", "not a number"]),
        ("nozzle_mm = 220", "nozle_mm = 220", ["heron.nozzle_mm", "is missing"]),
        ("bar_height_mm = 95", "bar_height_mm = 0.095", ["heron.bar_height_mm", "metres", "Write 95"]),
        ("bar_height_tolerance_mm = 2", "bar_height_tolerance_mm = 0.002", ["tolerance_mm", "metres"]),
        ("bar_forward_mm = 0", "bar_forward_mm = 0.05", ["bar_forward_mm", "metres", "Write 50"]),
        ("body_diameter_mm = 330", "body_diameter_mm = 13", ["body_diameter_mm", "inches", "330"]),
        ("led_count = 14", "led_count = 1", ["heron.led_count", "1 LEDs make no bar", "0 for a continuous"]),
        ("led_count = 14", "led_count = 14.5", ["heron.led_count", "not a whole number"]),
        ("lit_length_mm = 215", "lit_length_mm = 241", ["heron.lit_length_mm", "longer than the nozzle"]),
        ("lit_length_mm = 215", "lit_length_mm = 109", ["heron.lit_length_mm", "less than half the nozzle"]),
        ("body_diameter_mm = 330", "body_diameter_mm = 219", ["heron.nozzle_mm", "wider than the body"]),
    ],
)
def test_robot_that_cannot_be(night: Path, old: str, new: str, words: list[str]):
    spoil_robot(night, old, new)
    lines = refusal(lambda: read_night(night))
    assert all(word in lines[0] for word in ["robots.toml", *words]), lines


def test_lit_length_may_pass_the_nozzle_a_little(night: Path):
    spoil_robot(night, "lit_length_mm = 215", "lit_length_mm = 240")
    assert read_night(night).robots["heron"].bar.lit_length_m == 0.24


def test_typing_error_names_the_nearest_key(night: Path):
    spoil_robot(night, "nozzle_mm", "nozle_mm")
    lines = refusal(lambda: read_night(night))
    assert len(lines) == 2  # the wrong key, and the one that is missing
    assert any('heron.nozle_mm: is not a known key. Perhaps you meant "nozzle_mm"' in line for line in lines)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('referense = "reference.jpg"\n[camera]\nsource = "jpeg"', ["referense", 'Perhaps you meant "reference"']),
        ("[camera]\nheigth_mm = 2750", ["camera.heigth_mm", 'Perhaps you meant "height_mm"']),
        ("[setings]\ncell_mm = 2", ["setings", 'Perhaps you meant "settings"']),
        ("[settings]\ncell = 2", ["settings.cell", 'Perhaps you meant "cell_mm"']),
        ("[settings]\ncell_mm = 0.002", ["settings.cell_mm", "metres", "Write 2:"]),
        ("[settings]\ncell_mm = 9\nsmallest_pocket_mm = 17", ["smallest_pocket_mm", "two cells"]),
        ('[camera]\nsource = "jpg"', ["camera.source", '"jpg"', 'Perhaps you meant "jpeg"']),
        ("[camera]\nheight_mm = 2.75", ["camera.height_mm", "metres", "Write 2750"]),
        ("[camera]\nheight_mm = 108", ["camera.height_mm", "inches", "2743.2"]),
        ("[camera]\nheight_tolerance_mm = 20", ["camera.height_mm", "tolerance but no height"]),
        ('[camera]\ntimezone = "Europe/Pariss"', ["camera.timezone", 'Perhaps you meant "Europe/Paris"']),
        ("camera = 3", ["camera", "3 is not a table"]),
        ("[robot]\nheron = 3", ["robot.heron", "single value", "table"]),
        ("[robot.heron]\nnozzle_mm = 0.22", ["night.toml: robot.heron.nozzle_mm", "metres"]),
        ("[robot.owl]\nnozzle_mm = 0.2", ["night.toml: robot.owl.nozzle_mm", "metres"]),
        (
            "[camera]\nheight_mm = 2750\n[robot.heron]\nbar_height_mm = 2800",
            ["night.toml: robot.heron.bar_height_mm", "above the camera at 2750 mm", "height_mm under [camera]"],
        ),
        (
            "[[camera.corners]]\npixel = [1]\nfloor_mm = [100, 200]",
            ["camera.corners#1.pixel", "[1] has 1 entries", "at least 2"],
        ),
        ("[[camera.corners]]\npixel = [1, 2]\nfloor_mm = [1.5, 2.5]", ["floor_mm", "looks like metres"]),
        (
            "[[camera.corners]]\npixel = [1, 2]\nfloor_mm = [1500, 0]\n"
            "[[camera.corners]]\npixel = [1, 2]\nfloor_mm = [0, 1500]",
            ["camera.corners#2.pixel", "earlier corner"],
        ),
    ],
)
def test_night_that_cannot_be(night: Path, text: str, words: list[str]):
    write(night, f'reference = "reference.jpg"\n{text}\n' if "referense" not in text else text)
    lines = refusal(lambda: read_night(night))
    assert any(all(word in line for word in ["night.toml", *words]) for line in lines), lines


def test_bar_above_the_camera_is_told_once(night: Path):
    write(night, 'reference = "reference.jpg"\n[camera]\nheight_mm = 2750\n')
    spoil_robot(night, "bar_height_mm = 95", "bar_height_mm = 2800")
    only_refusal(lambda: read_night(night), "robots.toml: heron.bar_height_mm", "above the camera")


def test_all_mistakes_at_once(night: Path):
    spoil_robot(night, "nozzle_mm = 220", "nozzle_mm = 0.22")
    write(night, 'reference = "gone.jpg"\nlens = "gone.json"\n[settings]\ncell_mm = 200\nedge = 1\n')
    fields = {line.split(": ")[1] for line in refusal(lambda: read_night(night))}
    assert fields == {"heron.nozzle_mm", "reference", "lens", "settings.cell_mm", "settings.edge"}


def test_toml_syntax_names_the_line(night: Path):
    write(night, 'reference = "reference.jpg"\n[camera\n')
    only_refusal(lambda: read_night(night), "night.toml: line 2", "is not TOML", "Correct it")
    write(night, 'reference = "a"\nreference = "b"\n')
    only_refusal(lambda: read_night(night), "night.toml: line 2", "overwrite a value")


def test_text_that_is_not_utf8(night: Path):
    (night / "night.toml").write_bytes('reference = "Gerät.jpg"'.encode("cp1252"))
    only_refusal(lambda: read_night(night), "night.toml", "is not UTF-8", "Save the file as UTF-8")


def test_missing_files_say_what_to_do(night: Path):
    write(night, 'reference = "refrence.jpg"\ndark = "dark.png"\nroom = "large.geojson"\n')
    lines = refusal(lambda: read_night(night))
    assert any('reference: there is no "refrence.jpg". Perhaps you meant "reference.jpg"' in line for line in lines)
    assert any('dark: there is no "dark.png". Correct the name, or put' in line for line in lines)
    assert any('room: there is no "large.geojson"' in line for line in lines)


def test_no_night_file_and_no_register(night: Path, tmp_path: Path):
    only_refusal(lambda: read_night(tmp_path), "night.toml", "there is no such file", "Write one")
    for name in ("2031-02-9", "2031-02-11"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "night.toml").touch()
    only_refusal(lambda: read_night(tmp_path), "night.toml", "is the season", f"{tmp_path.name}/2031-02-11")
    (night.parent / "robots.toml").unlink()
    only_refusal(lambda: read_night(night), "robots.toml", "no robot is described", "Write robots.toml")


def test_reference_or_four_corners(night: Path):
    corner = "[[camera.corners]]\npixel = [{0}, 0]\nfloor_mm = [{0}000, 500]\n"
    write(night, "".join(corner.format(number) for number in (1, 2, 3)))
    only_refusal(lambda: read_night(night), "reference", "is missing", '"reference.jpg", or 4 or more')
    write(night, "".join(corner.format(number) for number in (1, 2, 3, 4)))
    assert read_night(night).reference is None


@pytest.mark.parametrize("path", ["../../secret.jpg", "{tmp}/secret.jpg", "..\\..\\secret.jpg"])
def test_path_that_leaves_the_season(night: Path, tmp_path: Path, path: str):
    (tmp_path / "secret.jpg").touch()
    write(night, f"reference = '{path.format(tmp=tmp_path)}'\n")
    only_refusal(lambda: read_night(night), "reference", "leaves the folder", "Copy the file into it")


def test_link_that_leaves_the_season(night: Path, tmp_path: Path):
    (tmp_path / "secret.jpg").touch()
    (night / "link.jpg").symlink_to(tmp_path / "secret.jpg")
    (night / "inner.jpg").symlink_to(night / "reference.jpg")
    write(night, 'reference = "link.jpg"\n')
    only_refusal(lambda: read_night(night), "reference", "is a link that leaves", "Copy the file into it")
    write(night, 'reference = "inner.jpg"\n')
    assert read_night(night).reference == night.resolve() / "inner.jpg"


def test_paths_inside_the_season(night: Path, tmp_path: Path):
    (night.parent / "shared room.geojson").touch()
    for path in ("../shared room.geojson", str(night.parent.resolve() / "shared room.geojson")):
        write(night, f'reference = "reference.jpg"\nroom = "{path}"\n')
        assert read_night(night).room == night.parent.resolve() / "shared room.geojson"


@pytest.mark.parametrize("written", ["NFC", "NFD"])
@pytest.mark.parametrize("stored", ["NFC", "NFD"])
def test_umlauts_in_either_form(night: Path, written: str, stored: str):
    name = "Prüf 'raum'.jpg"
    (night / normalize(stored, name)).touch()
    write(night, f'reference = "{normalize(written, name)}"\n')
    assert read_night(night).reference == night.resolve() / normalize(stored, name)


def test_find_nights(night: Path, tmp_path: Path):
    for name in ("night-10", "night-9", ".hidden"):
        (night.parent / name).mkdir()
        (night.parent / name / "night.toml").touch()
    (night.parent / "rooms").mkdir()
    assert find_nights(night) == (night,)
    assert [folder.name for folder in find_nights(night.parent)] == ["2031-02-11", "night-9", "night-10"]
    only_refusal(lambda: find_nights(night.parent / "rooms"), "rooms", "neither a night nor a season")
    only_refusal(lambda: find_nights(tmp_path / "gone"), "gone", "no such folder")


def test_night_named_through_a_link_or_a_dot(night: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(night)
    assert read_night(Path()) == read_night(night)
    (night.parent / "today").symlink_to(night)
    assert read_night(night.parent / "today") == read_night(night)


def test_error_survives_a_worker(night: Path):
    write(night, "[camera]\nheigth_mm = 1\n")
    with pytest.raises(BadInput) as caught:
        read_night(night)
    assert pickle.loads(pickle.dumps(caught.value)).problems == caught.value.problems


def test_robot_whose_bar_is_not_measured_yet_is_named_before_the_night(night: Path):
    spoil_robot(night, "lit_length_mm = 215\nbar_height_mm = 95\n", "")
    read, unmeasured = read_night_to_be(night)
    assert {name: [problem.field for problem in some] for name, some in unmeasured.items()} == {
        "heron": ["heron.lit_length_mm", "heron.bar_height_mm"]
    }
    assert set(read.robots) == {"wren"}
    assert len(refusal(lambda: read_night(night))) == 2


def test_other_mistakes_are_mistakes_before_the_night_too(night: Path):
    spoil_robot(night, "lit_length_mm = 215\n", "lit_length = 215\n")
    lines = refusal(lambda: read_night_to_be(night))
    assert ["is missing" in line for line in lines] == [True, False]
    assert "Perhaps you meant" in lines[1]
