"""`lens.json`: round trip and refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from file_samples import only_refusal

from coverage_lab.camera.model import Lens
from coverage_lab.files.lens import read_lens, write_lens

MATRIX = [[1241.6, 0.0, 1193.5], [0.0, 1241.7, 906.5], [0.0, 0.0, 1.0]]
LENS = Lens((2400, 1800), np.array(MATRIX), np.array([-0.11, 0.018, 1e-4, -2e-4, 0.003]), "raw")


def spoilt(folder: Path, **changes: Any) -> Path:
    """Write the lens after `changes` to the file's content (None takes a key out); return the file."""
    path = folder / "lens.json"
    write_lens(LENS, path)
    content = json.loads(path.read_text()) | changes
    path.write_text(json.dumps({key: value for key, value in content.items() if value is not None}))
    return path


def test_round_trip_is_exact(tmp_path: Path):
    write_lens(LENS, tmp_path / "lens.json")
    read = read_lens(tmp_path / "lens.json")
    assert (read.image_size, read.source) == (LENS.image_size, LENS.source)
    np.testing.assert_array_equal(read.matrix, LENS.matrix)
    np.testing.assert_array_equal(read.distortion, LENS.distortion)


def test_figures_for_people_are_passed_over(tmp_path: Path):
    assert read_lens(spoilt(tmp_path, reprojection_rms_px=0.2, spread={"f": 1.0})).image_size == (2400, 1800)


def test_rendered_lens(rendered: Path):
    lens = read_lens(rendered / "bounce" / "lens.json")
    assert lens.distortion.tolist() == [-0.11, 0.018, 0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"model": "fish"}, ["model", '"fish" is not known', "fisheye"]),
        ({"model": "rational"}, ["distortion", "has 5 coefficients", "the model rational has 8"]),
        ({"schema": "coverage-lab/lens/2"}, ["schema", "lens/2", 'Write "coverage-lab/lens/1"']),
        ({"schema": None}, ["schema", "is missing"]),
        ({"source": "heic"}, ["source", '"heic" is not known']),
        ({"image_size": [2400]}, ["image_size", "has 1 entries", "Give at least 2"]),
        ({"image_size": [2400, 0]}, ["image_size#2", "greater than 0"]),
        ({"distortion": [0, 0, 0, 0]}, ["distortion", "has 4 coefficients", "the model brown has 5"]),
        ({"distortion": [0, 0, 0, 0, "x"]}, ["distortion#5", '"x" is not a number']),
        ({"camera_matrix": MATRIX[:2]}, ["camera_matrix", "at least 3"]),
        ({"camera_matrix": [*MATRIX[:2], [0, 0, 2]]}, ["camera_matrix", "must be [[fx, 0, cx]"]),
        ({"image_size": [600, 450]}, ["camera_matrix", "principal point", "outside the picture of 600 × 450"]),
        ({"camera_matrix": [[12, 0, 1200], *MATRIX[1:]]}, ["camera_matrix", "focal length of 12", "2400"]),
    ],
)
def test_lens_that_cannot_be(tmp_path: Path, changes: dict[str, Any], words: list[str]):
    only_refusal(lambda: read_lens(spoilt(tmp_path, **changes)), "lens.json", *words)


def test_missing_lens(tmp_path: Path):
    only_refusal(lambda: read_lens(tmp_path / "lens.json"), "no such file", "take it out of night.toml")
