"""A stored run comes back as the values it was written from."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from file_samples import sample_measures

from coverage_lab.errors import BadInput
from coverage_lab.files.measures import measures_from_json, measures_to_json
from coverage_lab.files.results import read_run, write_results
from coverage_lab.measures.values import Measures

EMPTY = dict.fromkeys(("camera", "floor", "coverage", "edges", "pockets", "pattern"))


@pytest.mark.parametrize(
    "measures",
    [
        sample_measures(),
        sample_measures(verdict="refused", reason="no trail", **EMPTY),
        sample_measures(edges=(), pockets=()),
    ],
    ids=["full", "refused", "none found"],
)
def test_there_and_back(measures: Measures):
    once = measures_from_json(measures_to_json(measures))
    assert measures_to_json(once) == measures_to_json(measures)
    assert measures_from_json(measures_to_json(once)) == once


def test_exactly_where_nothing_is_rounded():
    measures = measures_from_json(measures_to_json(sample_measures()))
    pockets = tuple(
        replace(pocket, outline_m=((0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.0, 0.0))) for pocket in measures.pockets or ()
    )
    outlines = tuple(pocket.outline_m for pocket in pockets)
    assert measures_from_json(measures_to_json(replace(measures, pockets=pockets)), outlines) == replace(
        measures, pockets=pockets
    )


def test_from_a_results_folder(tmp_path: Path):
    measures = sample_measures()
    write_results(tmp_path, measures, {}, None, {})
    again = read_run(tmp_path)
    assert measures.pockets is not None
    assert again.pockets is not None
    assert set(again.pockets[0].outline_m) == set(measures.pockets[0].outline_m)
    assert measures_to_json(again) == measures_to_json(measures)


def test_keys_of_a_later_version_are_ignored(tmp_path: Path):
    write_results(tmp_path, sample_measures(), {}, None, {})
    path = tmp_path / "measures.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    for part in (content["floor"], content["camera"], content["pattern"], content["edges"][0], content["pockets"][0]):
        part["mood"] = "fine"
    path.write_text(json.dumps(content), encoding="utf-8")
    assert measures_to_json(read_run(tmp_path)) == measures_to_json(sample_measures())


def test_pockets_without_their_outlines(tmp_path: Path):
    write_results(tmp_path, sample_measures(), {}, None, {})
    (tmp_path / "pockets.geojson").write_text('{"features": []}', encoding="utf-8")
    with pytest.raises(BadInput, match="Measure the run again"):
        read_run(tmp_path)
