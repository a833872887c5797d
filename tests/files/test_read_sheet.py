"""`runs.csv` and runs told by names on disk."""

from __future__ import annotations

from pathlib import Path
from unicodedata import normalize

import pytest
from file_samples import ROBOTS_TOML, only_refusal, refusal

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.job import Run


def touch(night: Path, *names: str) -> None:
    for name in names:
        (night / name).parent.mkdir(parents=True, exist_ok=True)
        (night / name).touch()


def runs(night: Path, sheet: str | bytes | None = None) -> tuple[Run, ...]:
    if sheet is not None:
        content = sheet if isinstance(sheet, bytes) else sheet.encode()
        (night / "runs.csv").write_bytes(content)
    return read_runs(read_night(night))


def names(night: Path, run: Run) -> list[str]:
    return [frame.relative_to(night.resolve()).as_posix() for frame in run.frames]


def test_all_columns(night: Path):
    touch(night, "heron-2/a.jpg", "ref2.jpg")
    header = "run,robot,repeat,trial,frames,duration_min,reference,use,replaces,contact_seen,note,operator,kPa\n"
    row = 'x.1,wren,2,avoidance,heron-2,23.5,ref2.jpg,yes,,sock,"two, lines\nof note",Ada,101\n'
    (run,) = runs(night, header + row)
    assert run == Run(
        id="x.1",
        key="2031-02-11/x.1",
        robot="wren",
        repeat=2,
        trial="avoidance",
        frames=(night.resolve() / "heron-2" / "a.jpg",),
        reference=night.resolve() / "ref2.jpg",
        duration_s=1410.0,
        contact_seen="sock",
        note="two, lines\nof note",
        conditions={"operator": "Ada", "kPa": "101"},
    )


def test_only_the_run_is_required(night: Path):
    (run,) = runs(night, "run\nheron-1\n")
    assert (run.robot, run.repeat, run.trial, names(night, run)) == ("heron", 1, "coverage", ["heron-1.jpg"])
    assert (run.duration_s, run.contact_seen, run.reference, run.conditions) == (None, None, None, {})


@pytest.mark.parametrize(
    ("encoding", "delimiter", "decimal", "ending"),
    [
        ("utf-8", ",", ".", "\n"),
        ("utf-8-sig", ";", ",", "\r\n"),
        ("utf-8-sig", ",", ".", "\r\n"),
        ("cp1252", ";", ",", "\r\n"),
        ("cp1252", ",", ".", "\n"),
    ],
)
def test_what_spreadsheets_write(night: Path, encoding: str, delimiter: str, decimal: str, ending: str):
    lines = ["Run;Robot;duration_min;Prüfer;", "heron-1;heron;23,5;Jürgen; ", ";;;;"]
    text = ending.join(lines).replace(",", decimal).replace(";", delimiter) + ending
    (run,) = runs(night, text.encode(encoding))
    assert (run.duration_s, run.conditions) == (1410.0, {"Prüfer": "Jürgen"})


def test_decimal_comma_needs_semicolons(night: Path):
    sheet = 'run,duration_min\nheron-1,"23,5"\n'
    only_refusal(lambda: runs(night, sheet), "runs.csv: row 2, column duration_min", '"23,5" is not a number')


def test_ranges_walk_camera_folders_in_order(night: Path):
    touch(night, "100ABCDE/DSC_0998.jpg", "100ABCDE/DSC_0999.JPG", "100ABCDE/notes.txt", "100ABCDE/zoo.jpg")
    touch(night, "101ABCDE/DSC_1000.jpg", "101ABCDE/DSC_1001.jpg", "101ABCDE/._DSC_1000.jpg")
    (run,) = runs(night, "run,frames\nheron-1,DSC_0999..DSC_1000.jpg\n")
    assert names(night, run) == ["100ABCDE/DSC_0999.JPG", "101ABCDE/DSC_1000.jpg"]
    (run,) = runs(night, "run,frames\nheron-1,100ABCDE/dsc_0998 .. 101ABCDE/dsc_1001\n")
    assert len(run.frames) == 4


def test_a_range_goes_over_a_counter_that_begins_again(night: Path):
    touch(night, *(f"DSC_{number:04d}.jpg" for number in (9996, 9997, 9998, 9999, 1, 2, 3, 4)), "IMG_0001.jpg")
    (run,) = runs(night, "run,frames\nheron-1,DSC_9997..DSC_0003\n")
    assert names(night, run) == [f"DSC_{number:04d}.jpg" for number in (9997, 9998, 9999, 1, 2, 3)]
    lines = refusal(lambda: runs(night, "run,frames\nheron-1,DSC_9998..DSC_9996\n"))
    assert "ends before it begins" in lines[0]


def test_range_that_makes_no_sense(night: Path):
    touch(night, "a/DSC_0001.jpg", "a/DSC_0002.jpg", "b/DSC_0001.jpg")
    sheet = "run,robot,frames\n1,heron,DSC_0001..DSC_0002\n2,heron,a/DSC_0002..a/DSC_0001\n3,heron,DSC_0002..DSC_0009\n"
    lines = refusal(lambda: runs(night, sheet))
    assert "row 2, column frames" in lines[0] and "more than once" in lines[0] and "Put the folder" in lines[0]
    assert "row 3, column frames" in lines[1] and "ends before it begins" in lines[1]
    assert "row 4, column frames" in lines[2] and '"DSC_0009"' in lines[2] and "Perhaps you meant" in lines[2]


def test_globs_folders_and_pictures(night: Path):
    touch(night, *(f"s/f{number}.jpg" for number in (10, 9, 1)), "s/deep/f2.jpg", "p [1].png", "p 1.png")
    sheet = "run,robot,frames\n1,heron,S/F*.jpg\n2,wren,s/deep\n3,wren,p [1].png\n4,wren,p [0-9].png\n"
    found = runs(night, sheet)
    assert [names(night, run) for run in found] == [
        ["s/f1.jpg", "s/f9.jpg", "s/f10.jpg"],  # natural order
        ["s/deep/f2.jpg"],
        ["p [1].png"],
        ["p 1.png"],
    ]


def test_glob_leaves_the_nights_own_pictures_out(night: Path):
    touch(night, "dark.png", "ambient.png")
    (night / "night.toml").write_text('reference="reference.jpg"\ndark="dark.png"\nambient="ambient.png"\n')
    (run,) = runs(night, "run,robot,frames\nx,heron,*\n")
    assert names(night, run) == ["heron-1.jpg"]
    only_refusal(lambda: runs(night, "run,robot,frames\nx,heron,dark.png\n"), "dark or ambient picture")


def test_jpeg_and_raw_are_one_frame(night: Path):
    touch(night, "s/DSC_1.jpg", "s/DSC_1.NEF", "s/DSC_2.JPG", "s/dsc_2.nef")
    sheet = "run,robot,frames\nx,heron,s\n"
    assert names(night, runs(night, sheet)[0]) == ["s/DSC_1.jpg", "s/DSC_2.JPG"]
    (night / "night.toml").write_text('reference = "reference.jpg"\n[camera]\nsource = "raw"\n')
    assert names(night, runs(night, sheet)[0]) == ["s/DSC_1.NEF", "s/dsc_2.nef"]
    assert names(night, runs(night, "run,robot,frames\nx,heron,s/DSC_1.jpg\n")[0]) == ["s/DSC_1.NEF"]
    touch(night, "s/DSC_3.jpg")
    only_refusal(lambda: runs(night, sheet), "column frames", '"DSC_3.jpg"', 'source = "raw"', "one kind")


@pytest.mark.parametrize("written", ["NFC", "NFD"])
@pytest.mark.parametrize("stored", ["NFC", "NFD"])
def test_names_with_spaces_umlauts_and_quotes(night: Path, written: str, stored: str):
    name = 'Größe "1" it\'s.jpg'
    touch(night, normalize(stored, name))
    cell = normalize(written, name).replace('"', '""')
    (run,) = runs(night, f'run,robot,frames\nx,heron,"{cell}"\n')
    assert names(night, run) == [normalize(stored, name)]


@pytest.mark.parametrize("column", ["frames", "reference"])
@pytest.mark.parametrize("path", ["../other/a.jpg", "../*.jpg", "/etc/passwd", "s/../../a.jpg", "link/a.jpg"])
def test_paths_that_leave_the_night(night: Path, tmp_path: Path, path: str, column: str):
    touch(night.parent / "other", "a.jpg")
    touch(night.parent, "a.jpg")
    (night / "link").symlink_to(night.parent / "other")
    frames = "heron-1.jpg" if column == "reference" else path
    reference = path if column == "reference" else ""
    sheet = f"run,robot,frames,reference\nx,heron,{frames},{reference}\n"
    only_refusal(lambda: runs(night, sheet), f"row 2, column {column}", "leaves the")


def test_linked_picture_that_leaves_the_night(night: Path, tmp_path: Path):
    touch(tmp_path, "a.jpg")
    touch(night, "s/b.jpg")
    (night / "s" / "a.jpg").symlink_to(tmp_path / "a.jpg")
    only_refusal(lambda: runs(night, "run,robot,frames\nx,heron,s\n"), '"a.jpg" is a link that leaves')


def test_use_and_replaces(night: Path):
    touch(night, "heron-2.jpg", "heron-3.jpg", "heron-4.jpg")
    sheet = (
        "run,use,replaces,note,frames\n"
        "heron-1,,,,\n"
        "heron-2,no,,door opened,gone.jpg\n"
        "heron-3,Yes,heron-1,re-shot,\n"
        "heron-4,TRUE,heron-3,again,\n"
    )
    assert [run.id for run in runs(night, sheet)] == ["heron-4"]
    assert runs(night, "run,use\nheron-1,no\n") == ()


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("heron-1,heron-9\nheron-2,\n", ['"heron-9" is no run of this sheet', 'Perhaps you meant "heron-2"']),
        ("heron-1,heron-1\nheron-2,\n", ["row 2", "would replace itself"]),
        ("heron-1,heron-2\nheron-2,heron-1\n", ["row 3", "would replace itself", "Only the later run"]),
        ("heron-1,\nheron-2,heron-1\nheron-3,heron-1\n", ["row 4", "already replaced by heron-2"]),
    ],
)
def test_replacing_that_makes_no_sense(night: Path, rows: str, words: list[str]):
    touch(night, "heron-2.jpg", "heron-3.jpg")
    only_refusal(lambda: runs(night, f"run,replaces\n{rows}"), "runs.csv", "column replaces", *words)


@pytest.mark.parametrize(
    ("header", "row", "words"),
    [
        ("run,robot,frames", "x,herron,heron-1.jpg", ["column robot", '"herron"', 'Perhaps you meant "heron"']),
        ("run,frames", "x,heron-1.jpg", ["column robot", '"x" is not in the register']),
        ("run,frames", "heron-1,heron-11.jpg", ["column frames", 'no "heron-11.jpg"', 'Perhaps you meant "heron-1']),
        ("run,frames", "heron-1,empty", ["column frames", "no picture in the folder", "Copy the frames"]),
        ("run,frames", "heron-1,q*.jpg", ["column frames", 'no picture fits "q*.jpg"']),
        ("run,frames", "heron-1,night.toml", ["column frames", "is no picture"]),
        ("run,trial", "heron-1,coverge", ["column trial", '"coverge"', 'Perhaps you meant "coverage"']),
        ("run,repeat", "heron-1,two", ["column repeat", '"two" is not a whole number']),
        ("run,repeat", "heron-1,0", ["column repeat", "greater than or equal to 1"]),
        ("run,duration_min", "heron-1,-3", ["column duration_min", "greater than 0"]),
        ("run,duration_min", "heron-1,inf", ["column duration_min", "not a number"]),
        ("run,use", "heron-1,perhaps", ["column use", "neither yes nor no"]),
        ("run,reference", "heron-1,gone.jpg", ["column reference", 'no "gone.jpg"']),
        ("run,reference", "heron-1,empty", ["column reference", "is a folder"]),
        ("run", "Heron 1", ["column run", '"Heron 1" is not a run id', "for instance heron-1"]),
        ("run,robot", "..,heron", ["column run", '".." is not a run id']),
        ("run,robot", "../heron,heron", ["column run", "is not a run id"]),
        ("run,robot", f"{'a' * 61},heron", ["column run", "is not a run id", "1 to 60"]),
        ("run,robot", ",heron", ["column run", '"" is not a run id']),
        ("run", "heron-1,more", ["row 2", "a cell without a column"]),
        ("run,replace", "heron-1,", ["row 1, column replace", "nearly the column replaces"]),
        ("run,note,note", "heron-1,,", ["row 1, column note", "is there twice"]),
        ("robot", "heron", ["row 1", "there is no column run"]),
    ],
)
def test_row_that_makes_no_sense(night: Path, header: str, row: str, words: list[str]):
    (night / "empty").mkdir()
    only_refusal(lambda: runs(night, f"{header}\n{row}\n"), "runs.csv", *words)


def test_all_mistakes_of_all_rows_at_once(night: Path):
    sheet = "run,robot,frames,trial\nHERON-1,heron,,\nx,hero,gone.jpg,\ny,heron,heron-1.jpg,walk\n"
    lines = refusal(lambda: runs(night, sheet))
    places = [line.split(": ")[1] for line in lines]
    assert places == ["row 2, column run", "row 4, column trial", "row 3, column robot", "row 3, column frames"]


def test_same_id_in_any_case(night: Path):
    lines = refusal(lambda: runs(night, "run,robot,frames\nx,heron,heron-1.jpg\nX,heron,heron-1.jpg\n"))
    assert any("row 3, column run" in line and '"X" is already the run of row 2' in line for line in lines)


def test_a_frame_belongs_to_one_run(night: Path):
    sheet = "run,robot,frames,trial\nx,heron,heron-1.jpg,\ny,heron,heron-1.jpg,\nz,heron,heron-1.jpg,avoidance\n"
    only_refusal(lambda: runs(night, sheet), "row 3, column frames", "already a frame of x")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("run\nheron-1\n".encode("utf-16"), ["is not a CSV file", "UTF-8"]),
        (b'run,note\nheron-1,"open\n', ["is not CSV", "Save it again"]),
        (b"run\n\n", ["has no run"]),
        (b"", ["there is no column run"]),
    ],
)
def test_file_that_is_no_sheet(night: Path, content: bytes, words: list[str]):
    only_refusal(lambda: runs(night, content), "runs.csv", *words)


def test_without_a_sheet(night: Path):
    touch(night, "heron-2/1.jpg", "heron-10.jpg", "wren/1.jpg", "wren-1.JPG", "wren-1.nef", "dark.jpg")
    touch(night, "DSC_0101.jpg", "IMG-223.jpg", "dsc-010.jpg", "overview.jpg", "reference-2.jpg", "Thumbs.db")
    touch(night, "100MEDIA/DSC_0001.jpg", "._heron-3.jpg", ".cache/1.jpg", "results/heron-1/overlay.png")
    found = runs(night)
    assert [(run.id, run.robot, run.repeat, len(run.frames)) for run in found] == [
        ("heron-1", "heron", 1, 1),
        ("heron-2", "heron", 2, 1),
        ("heron-10", "heron", 10, 1),
        ("wren", "wren", None, 1),
        ("wren-1", "wren", 1, 1),
    ]
    assert all(run.trial == "coverage" for run in found)


def test_names_on_disk_that_make_no_sense(night: Path, tmp_path: Path):
    touch(night, "herno-1.jpg", "Heron-2.jpg", "heron-1/1.jpg", "boards/1.jpg")
    (night / "heron-7").symlink_to(tmp_path)
    lines = refusal(lambda: runs(night))
    places = {line.split(": ")[1]: line for line in lines}
    assert 'Perhaps you meant "heron"' in places["herno-1.jpg"]
    assert "for instance heron-2" in places["Heron-2.jpg"]
    assert "is the same run as" in places["heron-1.jpg"]
    assert "not in the register" in places["boards"]
    assert "link that leaves" in places["heron-7"]
    assert len(lines) == 5


def test_night_without_runs(night: Path):
    (night / "heron-1.jpg").rename(night / "DSC_0001.jpg")
    only_refusal(lambda: runs(night), "2031-02-11", "has no run", "<robot>-<repeat>", "runs.csv")


def test_rendered_sheets(rendered: Path):
    series = read_runs(read_night(rendered / "series-lanes"))
    assert [(run.key, len(run.frames)) for run in series] == [("series-lanes/heron-1", 40)]
    assert read_runs(read_night(rendered / "pen"))[0].trial == "avoidance"


def test_robot_with_an_umlaut_in_either_form(night: Path):
    table = ROBOTS_TOML.replace("[wren]", f'["{normalize("NFD", "käuzchen")}"]')
    (night.parent / "robots.toml").write_text(table, encoding="utf-8")
    (run,) = runs(night, f"run,robot,frames\nx,{normalize('NFC', 'käuzchen')},heron-1.jpg\n")
    assert run.robot == normalize("NFC", "käuzchen")
    assert run.robot in read_night(night).robots
