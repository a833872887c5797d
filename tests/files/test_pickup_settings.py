"""`pickup.toml`: what a lab decided, and what cannot be."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from coverage_lab.errors import BadInput
from coverage_lab.files.pickup_settings import read_pickup_settings
from coverage_lab.pickup.settings import DEFAULTS, Soil

D = Decimal


def test_without_a_file_the_defaults_hold(tmp_path: Path):
    assert read_pickup_settings(tmp_path / "pickup") == DEFAULTS


def test_numbers_are_taken_as_they_are_written(tmp_path: Path):
    text = """
    [balance]
    resolution_g = 0.1
    [floors]
    oak = 50.3
    "shag carpet" = 125
    [soils."quartz"]
    repeats = 5
    density_g_m2 = { oak = 30.1 }
    [soils.hair]
    repeats = 1
    """
    (tmp_path / "pickup.toml").write_text(text, encoding="utf-8")
    settings = read_pickup_settings(tmp_path / "pickup")  # the folder above counts too
    assert settings.resolution_g == D("0.1")
    assert settings.repeatability_g == DEFAULTS.repeatability_g
    assert settings.soils == {"quartz": Soil(5, {"oak": D("30.1")}), "hair": Soil(1)}
    assert settings.density_g_m2("quartz", "oak") == D("30.1")
    assert settings.density_g_m2("quartz", "shag carpet") == 125
    assert settings.repeated_soils == ("quartz",)


def test_default_soils_go_on_floors_of_ones_own(tmp_path: Path):
    (tmp_path / "pickup.toml").write_text("[floors]\noak = 60\n", encoding="utf-8")
    settings = read_pickup_settings(tmp_path)
    assert settings.density_g_m2("fine sand", "oak") == 60
    assert settings.density_g_m2("pet hair", "oak") == DEFAULTS.density_g_m2("pet hair", "hardwood")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[balance]\nresolution = 1\n", 'balance.resolution: is not a known key. Perhaps you meant "resolution_g"'),
        ("[dose]\ntolerance_percent = 50\n", "dose.tolerance_percent: 50 % is out of range. Give 0.1 to 20 %"),
        ("[floors]\noak = 'much'\n", "floors.oak:"),
        ("[floors]\noak = nan\n", "floors.oak:"),
        ("[floors]\n", "floors:"),
        (
            "[soils.sand]\ndensity_g_m2 = { hardwod = 3 }\n",
            'hardwod: is none of the floors. Perhaps you meant "hardwood"',
        ),
        ("[soils.sand]\nrepeats = 0\n", "soils.sand.repeats:"),
        ("[floors\n", "is not TOML"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, text: str, told: str):
    (tmp_path / "pickup.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as error:
        read_pickup_settings(tmp_path)
    assert told in str(error.value)
