"""A heat run followed by resistance with a hand meter: temperatures from the copper formula of IEC 60034-1, 8.6.2."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.procedures import procedures
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.runs import outcome

PROCEDURE = procedures()["heat-run"]
MINUTES = np.arange(0, 125, 5.0)
COLD = {"cold_resistance": 0.2, "cold_temperature": 22.0, "ambient_temperature": 22.0}


def _ohms(temperature: np.ndarray) -> np.ndarray:
    return 0.2 * (234.5 + temperature) / (234.5 + 22.0)


def test_an_exponential_read_every_five_minutes(outside: Outside) -> None:
    """48 K with a time constant of 30 min, heat in proportion to the rise, read under load."""
    columns = {"time": MINUTES * 60, "resistance_ab": _ohms(22.0 + 48.0 * -np.expm1(-MINUTES / 30.0))}
    conditions = {**COLD, "reading_delay": 0.0, "surface_exponent": 0.0, "fixed_loss": 100.0, "heat_power": 100.0}
    found = outcome(PROCEDURE, [(columns, conditions)], {"resistance_ab": "0.5 %"})
    outside.each(
        {name: form.value for name, form in found.forms.items()},
        (
            ("temperature_rise", 48.0, 0.02, "K"),
            ("thermal_time_constant", 1800.0, 2.0, "s"),
            ("thermal_resistance", 0.48, 2e-4, "K/W"),
        ),
        what="48 K with a time constant of 30 min, from 25 resistances",
        source="exponential and IEC 60034-1, 8.6.2.1 (234.5 for copper), worked by hand",
    )
    assert "by its resistance, read under load" in " ".join(found.report.notes)


def test_a_reading_after_the_load_was_cut_is_taken_lower_than_the_winding_was() -> None:
    columns = {"time": MINUTES * 60, "resistance_ab": _ohms(22.0 + 48.0 * -np.expm1(-MINUTES / 30.0))}
    at_once, late = (outcome(PROCEDURE, [(columns, {**COLD, "reading_delay": d})]) for d in (0.0, 20.0))
    covers = [interval(one.forms["temperature_rise"]) for one in (at_once, late)]
    # Nothing of the winding's own rise lost, to all of a third of it.
    assert covers[1].low < covers[0].high < covers[1].high
    assert covers[1].expanded_uncertainty > 2 * covers[0].expanded_uncertainty
    assert any("loses that with a time constant" in note for note in late.report.notes)
    assert not any("loses that with a time constant" in note for note in at_once.report.notes)


def test_the_same_log_may_hold_the_cooling() -> None:
    after = np.array([10.0, 20, 30, 45, 60, 90])
    heating = _ohms(22.0 + 48.0 * -np.expm1(-MINUTES / 30.0))
    end = 22.0 + 48.0 * -np.expm1(-120 / 30.0)
    cooling = _ohms(end - 0.02 * after)
    columns = {
        "time": np.append(MINUTES * 60, 7200.0 + after),
        "resistance_ab": np.append(heating, cooling),
    }
    found = outcome(PROCEDURE, [(columns, {**COLD, "reading_delay": 0.0, "switch_off_time": 7200.0})])
    assert found.forms["temperature_rise"].value == pytest.approx(48.0, abs=0.3)
    assert {panel.name for panel in found.report.panels} == {"heating", "cooling"}


def test_what_must_be_known() -> None:
    columns = {"time": MINUTES * 60, "resistance_ab": _ohms(22.0 + MINUTES)}
    with pytest.raises(FitError, match="state 'reading_delay'"):
        outcome(PROCEDURE, [(columns, COLD)])
    with pytest.raises(FitError, match="state 'cold_resistance'"):
        outcome(PROCEDURE, [(columns, {"ambient_temperature": 22.0, "reading_delay": 0.0})])
