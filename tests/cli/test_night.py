"""`coverage-lab night new`: what is written, that it is read back, prints on A4, and overwrites nothing."""

from __future__ import annotations

import csv
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser
from small_night import Lab

from coverage_lab.errors import ExitCode
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs


def rows_of(folder: Path) -> list[dict[str, str]]:
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


@pytest.fixture
def tomorrow(lab: Lab) -> Path:
    return lab.season / "2031-02-12"


def test_a_night_like_the_one_before(lab: Lab, tomorrow: Path):
    sheet = "run,frames,duration_min,floor\nheron-1,heron-1.jpg,40,oak\nheron-2,heron-2.jpg,,\n"
    (lab.night / "runs.csv").write_text(sheet, encoding="utf-8")
    told = lab.run("night", "new", tomorrow, "--repeats", "4")
    assert told.code == ExitCode.DONE
    rows = rows_of(tomorrow)
    assert [row["run"] for row in rows] == ["heron-1", "heron-2", "heron-3", "heron-4"]
    assert {row["floor"] for row in rows} == {""}
    told.line("frames: about 4")
    told.line("driving: 2.7 h")
    size = (lab.night / "heron-1.jpg").stat().st_size
    told.line(f"disk space: {4 * size / 1e6:.0f} MB of", "free")


def test_what_is_written_is_a_night_that_can_be_measured(lab: Lab, tomorrow: Path):
    lab.run("night", "new", tomorrow)
    before = read_night(lab.night)
    for name in ("reference.jpg", "heron-1.jpg"):
        shutil.copy(lab.night / name, tomorrow)
    for repeat in (2, 3):
        shutil.copy(lab.night / "heron-1.jpg", tomorrow / f"heron-{repeat}.jpg")
    night = read_night(tomorrow)
    assert (night.camera, night.settings, night.robots) == (before.camera, before.settings, before.robots)
    assert [run.id for run in read_runs(night)] == ["heron-1", "heron-2", "heron-3"]
    assert lab.measure(tomorrow / "heron-1").code == ExitCode.DONE


def test_comments_are_carried_over_and_picked_corners_are_not(lab: Lab, tomorrow: Path):
    with (lab.night / "night.toml").open("a", encoding="utf-8") as table:
        table.write("cell_mm_why = 1\n")
    lab.edit(lab.night / "night.toml", "cell_mm_why = 1\n", "# coarse, for tests\n")
    lab.edit(
        lab.night / "night.toml", "[settings]", "[[camera.corners]]\npixel = [1, 2]\nfloor_mm = [300, 300]\n[settings]"
    )
    lab.run("night", "new", tomorrow)
    text = (tomorrow / "night.toml").read_text(encoding="utf-8")
    assert "Carried over from 2031-02-11" in text
    assert "# coarse, for tests" in text
    assert "floor_mm" not in text
    assert "pick them again" in text


def test_the_first_night_of_a_season_and_a_register_of_several(lab: Lab, tomorrow: Path):
    register = (lab.season / "robots.toml").read_text(encoding="utf-8")
    (lab.season / "robots.toml").write_text(register + register.replace("[heron]", "[wren]"), encoding="utf-8")
    shutil.rmtree(lab.night)
    told = lab.run("night", "new", tomorrow, "--minutes", "30", "--seed", "5")
    assert told.code == ExitCode.DONE
    told.line("frames: not known")
    told.line("driving: 3.0 h")
    assert sorted(path.name for path in tomorrow.iterdir()) == ["night.html", "night.toml", "runs.csv"]
    order = [row["robot"] for row in rows_of(tomorrow)]
    assert [sorted(order[at : at + 2]) for at in (0, 2, 4)] == [["heron", "wren"]] * 3
    lab.run("night", "new", lab.season / "again", "--seed", "5")
    assert [row["robot"] for row in rows_of(lab.season / "again")] == order
    lab.run("night", "new", lab.season / "one", "--robots", "wren")
    assert {row["robot"] for row in rows_of(lab.season / "one")} == {"wren"}
    told = lab.run("night", "new", lab.season / "none", "--robots", "wrn")
    assert told.code == ExitCode.BAD_INPUT
    told.line("--robots", "'wrn' is not in the register", "wren")
    assert not (lab.season / "none").exists()


@pytest.mark.parametrize("name", ["night.toml", "runs.csv", "night.html", "room.geojson"])
def test_nothing_is_overwritten_and_nothing_half_written(lab: Lab, tomorrow: Path, name: str):
    tomorrow.mkdir()
    (tomorrow / name).write_text("mine", encoding="utf-8")
    told = lab.run("night", "new", tomorrow)
    assert told.code == ExitCode.BAD_INPUT
    told.line(name, "is there already")
    assert [path.name for path in tomorrow.iterdir()] == [name]
    assert (tomorrow / name).read_text(encoding="utf-8") == "mine"


def test_the_page_prints_on_a4_with_every_run_and_the_cautions(lab: Lab, tomorrow: Path, browser: Browser):
    (lab.season / "robots.toml").write_text(
        (lab.season / "robots.toml").read_text(encoding="utf-8").replace("[heron]", '["<b>heron"]\n', 1)
        + (lab.season / "robots.toml").read_text(encoding="utf-8"),
        encoding="utf-8",
    )
    lab.run("night", "new", tomorrow, "--repeats", "15")
    with browser.new_context() as context:
        page = context.new_page()
        page.goto((tomorrow / "night.html").as_uri())
        text = page.inner_text("body")
        assert page.locator(".runs tbody tr").count() == 30
        assert page.locator(".runs .block").count() == 15
        assert "<b>heron" in text  # shown as written, not taken for a tag
        assert all(word in text for word in ("torch", "Lithium", "Ladders", "competent people", "reference.jpg"))
        heads = page.locator(".runs thead tr:last-child th")
        widths_px = [(heads.nth(at).bounding_box() or {"width": 0})["width"] for at in range(8)]
        assert max(widths_px[:-1]) < widths_px[-1]  # most space to write what was seen
        page.emulate_media(media="print")
        width_px = page.evaluate("document.documentElement.scrollWidth")
        page.set_viewport_size({"width": round(184 / 25.4 * 96), "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= max(width_px, round(184 / 25.4 * 96))
        pdf = page.pdf(prefer_css_page_size=True)
    assert b"/MediaBox [0 0 594.95996 841.91998]" in pdf or b"/MediaBox [0 0 595" in pdf


def picture(path: Path, moment: datetime, exposure_s: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner[0x9003], inner[0x829A] = f"{moment:%Y:%m:%d %H:%M:%S}", exposure_s
    Image.new("L", (16, 16)).save(path, exif=exif)


def card(folder: Path) -> Path:
    """A card with a reference and two runs; the camera began a new folder in the midst of the second."""
    evening = datetime(2031, 2, 12, 19, 0, 0)
    for number, second in enumerate([0, *range(600, 1200, 32), *range(2000, 2800, 32)], start=981):
        place = folder / ("100ABCDE" if number < 1000 else "101ABCDE") / f"DSC_{number:04}.JPG"
        picture(place, evening + timedelta(seconds=second), 0.1 if second == 0 else 30)
    return folder


@pytest.mark.parametrize("inside", [False, True])
def test_runs_proposed_from_a_card(lab: Lab, tomorrow: Path, tmp_path: Path, inside: bool):
    told = lab.run("night", "new", tomorrow, "--from", card(tomorrow / "DCIM" if inside else tmp_path / "card"))
    assert told.code == ExitCode.DONE
    prefix = "DCIM/" if inside else ""
    rows = rows_of(tomorrow)
    assert [row["frames"] for row in rows] == [
        f"{prefix}100ABCDE/DSC_0981",
        f"{prefix}100ABCDE/DSC_0982..{prefix}101ABCDE/DSC_1000",
        f"{prefix}101ABCDE/DSC_1001..{prefix}101ABCDE/DSC_1025",
    ]
    assert [row["use"] for row in rows] == ["no", "", ""]
    assert [(row["start"], row["end"]) for row in rows[1:]] == [("19:10:00", "19:20:06"), ("19:33:20", "19:46:38")]
    if not inside:
        shutil.copytree(tmp_path / "card", tomorrow, dirs_exist_ok=True)
    shutil.copy(lab.night / "reference.jpg", tomorrow)
    sheet = (tomorrow / "runs.csv").read_text(encoding="utf-8")
    named = sheet.replace("run-2,", "heron-1,").replace("run-3,", "heron-2,")
    (tomorrow / "runs.csv").write_text(named, encoding="utf-8")
    runs = read_runs(read_night(tomorrow))
    assert [(run.id, len(run.frames)) for run in runs] == [("heron-1", 19), ("heron-2", 25)]


def test_a_card_without_pictures(lab: Lab, tomorrow: Path):
    told = lab.run("night", "new", tomorrow, "--from", lab.season / "nowhere")
    assert told.code == ExitCode.BAD_INPUT
    told.line("no pictures")
    assert not tomorrow.exists()
