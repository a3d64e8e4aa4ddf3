"""Supply window of an invented controller (tests/simulation/controller_bench.py): thresholds with scatter, leads, "
"delay."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.coverage import interval
from tests.procedures.controller_runs import outcome, si
from tests.simulation.controller_bench import SupplyController
from tests.simulation.instruments import BenchInstrument

METER = BenchInstrument(0.0005, 0.01, 0.3, noise=0.01, step=0.01)
PACK = {"pack_voltage_empty": 30.0, "pack_voltage_full": 42.0}


def _log(controller: SupplyController, seed: int = 1, **keys: float) -> Log:
    return Log("sweep", si(controller.sweep(np.random.default_rng(seed), METER, **keys)))


def test_thresholds_and_margins() -> None:
    controller = SupplyController(delay=0.0)
    known = {**PACK, "response_delay": 0.0}
    found = outcome("supply-window", [_log(controller)], {"voltage": Accuracy(0.0005, 0.01)}, known)
    value = {name: form.value for name, form in found.forms.items()}
    assert value["start_voltage"] == pytest.approx(31.5, abs=0.1)
    assert value["cutoff_voltage"] == pytest.approx(29.8, abs=0.1)
    assert value["overvoltage_cutoff"] == pytest.approx(44.5, abs=0.1)
    assert value["overvoltage_return"] == pytest.approx(43.2, abs=0.1)
    assert value["supply_hysteresis"] == pytest.approx(1.7, abs=0.12)
    assert value["supply_chatter"] == 0
    assert "above the empty pack" in found.report.quantity_notes["start_voltage"][0]
    assert "pack's own protection" in found.report.quantity_notes["cutoff_voltage"][0]
    assert "above the full pack" in found.report.quantity_notes["overvoltage_cutoff"][0]
    # One meter reads both thresholds: its offset cancels in their difference.
    shared = found.forms["supply_hysteresis"].standard_uncertainty
    apart = np.hypot(
        found.forms["start_voltage"].standard_uncertainty, found.forms["cutoff_voltage"].standard_uncertainty
    )
    assert shared < apart


def test_a_step_in_the_leads_does_not_move_the_threshold() -> None:
    stiff = outcome("supply-window", [_log(SupplyController(lead=0.0, repeat=0.0, delay=0.0))])
    soft = outcome("supply-window", [_log(SupplyController(lead=0.3, repeat=0.0, delay=0.0))])
    for name in ("start_voltage", "cutoff_voltage"):
        assert soft.forms[name].value == pytest.approx(stiff.forms[name].value, abs=0.06)


def test_chatter_is_counted() -> None:
    found = outcome("supply-window", [_log(SupplyController(chatter=3))])
    # Three retries on each of four sweeps, two changes each.
    assert found.forms["supply_chatter"].value == 24
    assert found.forms["start_voltage"].value == pytest.approx(31.5, abs=0.15)
    assert any("hysteresis is too small" in warning.message for warning in found.report.warnings)


def test_no_overvoltage_cutoff_is_missing_with_a_reason() -> None:
    found = outcome("supply-window", [_log(SupplyController(overvoltage=None))])
    assert "overvoltage_cutoff" not in found.forms
    assert "not seen between" in found.fit.missing["overvoltage_cutoff"]


def test_a_bench_supply_too_low_to_start_is_named() -> None:
    with pytest.raises(FitError, match=r"up to 30\.\d V.*needs more than that to start"):
        outcome("supply-window", [_log(SupplyController(), high=30.5)])


def test_a_constant_supply_is_refused() -> None:
    log = _log(SupplyController())
    columns = dict(log.columns)
    columns["supply_voltage"] = np.full_like(columns["supply_voltage"], 36.0)
    with pytest.raises(FitError, match="never changes"):
        outcome("supply-window", [Log("flat", columns)])


def test_a_controller_that_takes_its_time_is_within_the_interval_of_the_hysteresis() -> None:
    """Both ways the supply goes on meanwhile: start and cut-off move apart by twice rate times delay."""
    controller = SupplyController(delay=0.08)
    found = outcome("supply-window", [_log(controller)], {"voltage": Accuracy(0.0005, 0.01)}, PACK)
    cover = interval(found.forms["supply_hysteresis"])
    assert cover.low <= 1.7 <= cover.high
    delays = [abs(c) for i, c in found.forms["supply_hysteresis"].terms.items() if "response delay" in i.source]
    assert delays
    assert delays[0] > 0
