"""The season's document of soil tests: there and back, and what is said of one that is no such thing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coverage_lab.errors import BadInput
from coverage_lab.files.pickup import is_pickup, pickup_from_json, pickup_to_json, write_pickup
from coverage_lab.job import Quality, Quantity
from coverage_lab.pickup.values import Balance, PickupResult, PickupRun, PickupSummary

DOUBT = Quality("carry-over", "warning", "the cleaned bin weighs 0.4 g more than the empty one")
RUN = PickupRun(
    run="h-01",
    robot="heron",
    floor="hardwood",
    soil="fine sand",
    repeat=1,
    dosed_g=25.0,
    picked_g=21.25,
    pickup_percent=Quantity(85.0, 0.066, (84.871, 85.129)),
    counted=True,
    reason=None,
    quality=(DOUBT,),
    conditions={"battery": "full"},
    note="",
)
LEFT_OUT = PickupRun(
    "h-02", "heron", "hardwood", "fine sand", 2, None, None, None, False, "bin_after_g is empty", (), {}, "phone rang"
)
RESULT = PickupResult(
    sheet="heron.csv",
    balance=Balance(0.01, 0.01),
    loss_g=0.05,
    floors=("hardwood",),
    soils=("fine sand", "pet hair"),
    repeated_soils=("fine sand",),
    runs=(RUN, LEFT_OUT),
    summaries=(
        PickupSummary("heron", "hardwood", "fine sand", 1, 85.0, None, None, True, 1),
        PickupSummary("heron", "hardwood", None, 1, 85.0, None, None, True, 1),
    ),
    quality=(),
)


def test_there_and_back(tmp_path: Path):
    path = tmp_path / "pickup" / "heron.json"
    write_pickup(RESULT, path)
    assert pickup_from_json(json.loads(path.read_text(encoding="utf-8"))) == RESULT
    assert RESULT.overall("heron") == RESULT.summaries[1:]
    assert RESULT.overall("wren") == ()


def test_keys_of_a_later_version_are_passed_over():
    content = pickup_to_json(RESULT)
    content["runs"][0]["humidity_percent"] = 40
    content["balance"]["serial"] = "none"
    assert pickup_from_json(content) == RESULT


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda content: content.update(schema="coverage-lab/pickup/9"), "coverage-lab/pickup/9"),
        (lambda content: content.pop("summaries"), "summaries: is missing"),
        (lambda content: content["runs"][0].pop("robot"), "is no document of soil tests"),
        (lambda content: content.update(runs=[3]), "is no document of soil tests"),
    ],
)
def test_what_is_no_document_is_named(spoil, told: str):
    content = pickup_to_json(RESULT)
    spoil(content)
    with pytest.raises(BadInput, match=r"heron\.json") as error:
        pickup_from_json(content, Path("heron.json"))
    assert told in str(error.value)


def test_other_documents_are_told_apart():
    assert is_pickup(pickup_to_json(RESULT))
    assert not is_pickup({"schema": "coverage-lab/hair/1"})
    assert not is_pickup([])
