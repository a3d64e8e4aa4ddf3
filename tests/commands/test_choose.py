"""What is asked of a choice: a vehicle, its pack and its duty, or words on which is missing."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from rotorproof.__main__ import main
from rotorproof.commands import choose
from rotorproof.commands.choose import _asked
from rotorproof.decision.results import build_results
from rotorproof.errors import InputError
from rotorproof.fitting.stored import StoredFit
from rotorproof.jsonio import write_json
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.run import RunSettings
from tests.errors.bench import Bench

PACK = {"voltage_full": "42 V", "voltage_nominal": "36 V", "voltage_empty": "30 V"}
VEHICLE = {"mass": "110 kg", "rolling_resistance": "0.8 percent", "drag_area": "0.5 m^2", "cruise_speed": "20 km/h"}
DOCS = Path(__file__).parents[2] / "docs"
DUTY = {"climb_grade": "6 percent", "climb_speed": "12 km/h", "start_grade": "10 percent"}


def _settings(**known: Any) -> RunSettings:
    return RunSettings.model_validate({"config_version": 1, **known})


def test_a_named_vehicle_goes_with_its_pack_and_duty() -> None:
    settings = _settings(
        packs={"36V": PACK, "48V": PACK},
        vehicles={"cargo": {**VEHICLE, "pack": "48V"}, "city": VEHICLE},
        duties={"cargo": DUTY, "city": DUTY},
    )
    application, duty = _asked(settings, "cargo", "")
    assert (application.vehicle_name, application.pack_name) == ("cargo", "48V")
    assert duty.climb_grade.value == pytest.approx(0.06)
    assert _asked(settings, "city", "36V")[0].pack_name == "36V"


def test_the_only_vehicle_needs_no_name() -> None:
    settings = _settings(pack=PACK, vehicle=VEHICLE, duties={"vehicle": DUTY})
    assert _asked(settings, "", "")[0].vehicle is not None
    assert _asked(settings, "vehicle", "") == _asked(settings, "", "")


def test_the_examples_of_the_docs_can_be_asked_together() -> None:
    known = {}
    for page, key in (("packs-and-vehicles.md", "packs"), ("season.md", "duties")):
        text = (DOCS / page).read_text(encoding="utf-8")
        (block,) = re.findall(rf"^    {key}:\n(?:     .+\n|    \w+:\n)+", text, re.MULTILINE)
        known |= yaml.safe_load(block)
    application, _ = _asked(_settings(**known), "cargo", "")
    assert (application.vehicle_name, application.pack_name) == ("cargo", "48V-15Ah")


@pytest.mark.parametrize(
    ("known", "vehicle", "said"),
    [
        ({"pack": PACK, "vehicle": VEHICLE}, "", "state under 'duties' what 'vehicle' must do"),
        ({"pack": PACK, "vehicle": VEHICLE, "duties": {"vehicle": DUTY}}, "cargo", "there is no vehicle 'cargo'"),
        ({"duties": {"vehicle": DUTY}}, "", "no pack with a vehicle"),
        (
            {"packs": {"36V": PACK, "48V": PACK}, "vehicles": {"city": VEHICLE}, "duties": {"city": DUTY}},
            "city",
            'VEHICLE=NAME ARGS="--pack NAME".*city on 36V, city on 48V',
        ),
        (
            {
                "pack": PACK,
                "vehicle": {key: value for key, value in VEHICLE.items() if key != "cruise_speed"},
                "duties": {"vehicle": DUTY},
            },
            "",
            "states no 'cruise_speed'.*beside the vehicle's 'mass', for example 'cruise_speed: 20 km/h'",
        ),
    ],
)
def test_what_is_missing_is_said(known: dict[str, Any], vehicle: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        _asked(_settings(**known), vehicle, "")


@pytest.fixture
def stocked(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setattr(choose, "ROOT", bench.root)
    known = {"config_version": 1, "pack": PACK, "vehicle": VEHICLE, "duties": {"vehicle": DUTY}}
    (bench.root / "config/config.yaml").write_text(yaml.safe_dump(known), encoding="utf-8")
    return bench


def test_each_unit_that_is_left_out_is_named_with_the_reason(
    stocked: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    nothing = StoredFit(outcomes=[])
    asked = AcceptanceSet.model_validate({"criteria": [{"quantity": "phase_resistance", "max": "0.13 ohm"}]})
    found = build_results("GOOD", "motor", nothing, [], asked, 0.95)
    write_json(stocked.root / "reports/GOOD/results.json", found.as_json())
    assert main(["choose", "vehicle"]) == 1
    said = capsys.readouterr()
    assert said.out.startswith("0 motors, 0 controllers, 0 pairs for vehicle\n")
    assert "No pair can be predicted: no motor and no controller is accepted." in said.err
    assert "GOOD left out: incomplete" in said.err
    assert "BAD left out: no report there; run 'make report UNIT=BAD'" in said.err
    assert main(["choose", "vehicle", "--config", "raw_dir=raw", "reports_dir=reports"]) == 1
    command = "'make report UNIT=BAD ARGS=\"--config raw_dir=raw reports_dir=reports\"'"
    assert f"BAD left out: no report there; run {command}" in capsys.readouterr().err
    written = json.loads((stocked.root / "reports/choices/vehicle/choice.json").read_text(encoding="utf-8"))
    assert written["left_out"]["GOOD"] == "incomplete"
    page = (stocked.root / "reports/choices/vehicle/choice.html").read_text(encoding="utf-8")
    assert "GOOD (incomplete)" in page
