"""`coverage-lab lens`, from pictures on disk to a lens that a night is measured with."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from boards import photograph, plain, poses
from small_night import Lab

from coverage_lab.errors import ExitCode
from coverage_lab.files.lens import read_lens


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("boards")
    for number, (rotation, shift) in enumerate(poses(12, 5, plain())):
        picture = photograph(plain(), rotation, shift, seed=number)
        cv2.imwrite(str(folder / f"board-{number:02}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return folder


def test_writes_a_lens_that_can_be_read_and_a_map(album: Path, lab: Lab):
    blurred = cv2.GaussianBlur(cv2.imread(str(album / "board-04.jpg")), (0, 0), 12)
    cv2.imwrite(str(lab.season / "blurred.jpg"), blurred)
    mirrored = cv2.imread(str(album / "board-04.jpg"))[:, ::-1]
    cv2.imwrite(str(lab.season / "mirrored.jpg"), mirrored)
    out = lab.season / "lens.json"
    extra = [lab.season / "blurred.jpg", lab.season / "mirrored.jpg"]
    told = lab.run("lens", *sorted(album.glob("*.jpg")), *extra, "--out", out)
    assert told.code == ExitCode.DONE
    assert told.line("blurred.jpg", "shows no board")
    assert told.line("mirrored.jpg", "mirrored")
    lens = read_lens(out)
    assert lens.matrix[0, 0] == pytest.approx(plain().matrix[0, 0], rel=1e-3)
    content = json.loads(out.read_text(encoding="utf-8"))
    assert content["standard_uncertainty"]["fx"] < 1
    assert len(content["pictures_rms_px"]) + len(content["left_out_rms_px"]) == 12
    drawn = cv2.imread(str(out.with_suffix(".png")))
    assert drawn.shape[1] > 1000
    assert len(np.unique(drawn.reshape(-1, 3), axis=0)) > 20


def test_what_to_shoot_next_is_said_with_what_was_wrong(album: Path, lab: Lab):
    (lab.season / "note.jpg").write_bytes(b"")
    told = lab.run("lens", album / "board-00.jpg", lab.season / "note.jpg", "--out", lab.season / "lens.json")
    assert told.code == ExitCode.SOME_FAILED
    assert told.line("note.jpg")
    assert told.line("1 pictures show the board", "Shoot more")
    assert not (lab.season / "lens.json").exists()


def test_pictures_of_different_sizes_are_named(album: Path, lab: Lab):
    small = cv2.resize(cv2.imread(str(album / "board-01.jpg")), (640, 480))
    cv2.imwrite(str(lab.season / "small.png"), small)
    told = lab.run("lens", album / "board-00.jpg", lab.season / "small.png")
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("small.png", "640 × 480", "board-00.jpg", "960 × 720")


def test_a_board_that_is_none_is_refused(album: Path, lab: Lab):
    told = lab.run("lens", album / "board-00.jpg", "--chessboard", "9by6")
    assert told.code == ExitCode.BAD_INPUT
    assert any("9x6" in line for line in told.lines)
