"""Winding resistance against outside values, and its intervals against an independent bench.

Sources
- IEC 60228 (conductor resistance by cross-section) is copper of 17.241 nohm m (IEC 60028): a wire of known gauge and
  length has a known resistance. Values of the wire table: see below.
- Temperature: alpha20 = 3.93e-3 per kelvin (IEC 60028) gives k = 1/alpha20 - 20 = 234.5.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.physics import winding
from rotorproof.procedures.base import Log
from rotorproof.procedures.winding_resistance import PROCEDURE
from tests.outside import Outside
from tests.procedures.runs import fitted

QUANTITIES = ("resistance_ab", "resistance_bc", "resistance_ca", "phase_resistance", "resistance_unbalance")
UNIT = {
    "unit": "W-1",
    "kind": "motor",
    "instruments": {
        "meter": {"accuracy": {"voltage": "0.05 % + 0.2 mV", "current": "0.2 % + 1 mA"}},
        "probe": {"accuracy": {"temperature": "1 degC"}},
    },
    "tests": [
        {
            "procedure": "winding-resistance",
            "log": "w.csv",
            "conditions": {"winding_temperature": "21.8 degC"},
        }
    ],
}


def columns_of(resistances: tuple[float, float, float], *, offset: float = 0.0) -> dict[str, np.ndarray]:
    current = np.linspace(0.5, 4, 10)
    columns = {}
    for pair, resistance in zip(("ab", "bc", "ca"), resistances, strict=True):
        columns[f"current_{pair}"] = current
        columns[f"voltage_{pair}"] = resistance * current + offset
    return columns


def values(columns: dict[str, np.ndarray], temperature: float, constant: float = 234.5) -> dict[str, float]:
    given = {"winding_constant": constant}
    fit = fitted(PROCEDURE, [Log("w", columns, {"winding_temperature": temperature})], **given)
    return PROCEDURE.derive(fit.parameters, given)


def test_a_wire_of_known_gauge_and_length(outside: Outside) -> None:
    # 10 m of copper wire 1.02362 mm thick (AWG 18, d = 0.127 * 92^((36-n)/39) mm), measured at 60 degC.
    cold = 10 * 1.7241e-8 / (np.pi / 4 * (0.127e-3 * 92 ** ((36 - 18) / 39)) ** 2)
    warm = cold * (1 + 3.93e-3 * 40)
    found = values(columns_of((warm, warm, warm), offset=3e-4), 60.0)
    for name in ("resistance_ab", "resistance_bc", "resistance_ca"):
        outside(
            name,
            "10 m of AWG 18 copper at 60 degC, brought back to 20 degC",
            ours=found[name],
            published=0.2095,
            allowance=0.0005,
            unit="ohm",
            source="AWG 18: 20.95 ohm/km computed from the gauge's definition and 1/58 ohm mm2/m",
        )
    outside(
        "phase_resistance",
        "half of a line-to-line value of the same wire",
        ours=found["phase_resistance"],
        published=0.2095 / 2,
        allowance=0.0003,
        unit="ohm",
        source="AWG 18 as above; star connection",
    )


@pytest.mark.parametrize("temperature", [-10.0, 0.0, 75.0, 150.0])
def test_copper_against_its_temperature_coefficient(outside: Outside, temperature: float) -> None:
    outside(
        "phase_resistance",
        f"R({temperature:g} degC)/R(20 degC) of copper",
        ours=winding.temperature_factor(temperature, 234.5),
        published=1 + 0.00393 * (temperature - 20),
        allowance=2e-4 * abs(temperature - 20) / 100 + 1e-12,
        source="IEC 60028: alpha20 = 3.93e-3 per kelvin",
    )


def test_unbalance_of_a_worked_example(outside: Outside) -> None:
    # 460, 467 and 450 V have mean 459 V and a largest deviation of 9 V: 1.96 %.
    found = winding.unbalance(np.array([460.0, 467.0, 450.0]))
    outside(
        "resistance_unbalance",
        "unbalance of 460, 467 and 450",
        ours=100 * found,
        published=1.96,
        allowance=0.005,
        unit="percent",
        source="NEMA MG 1, 14.36, worked example of unbalance, from memory",
    )


def test_thermal_emf_and_meter_zero_do_not_bias() -> None:
    plain, shifted = (
        values(columns_of((0.24, 0.25, 0.26)), 20.0),
        values(columns_of((0.24, 0.25, 0.26), offset=0.01), 20.0),
    )
    assert shifted["phase_resistance"] == pytest.approx(plain["phase_resistance"], rel=1e-12)


def test_a_single_current_cannot_tell_offset_from_resistance() -> None:
    columns = {name: np.full(6, 2.0) for name in columns_of((1, 1, 1))}
    with pytest.raises(FitError, match="do not vary enough"):
        values(columns, 20.0)


def test_without_a_temperature_nothing_is_given() -> None:
    with pytest.raises(FitError, match="winding temperature is not stated"):
        fitted(PROCEDURE, [Log("w", columns_of((0.24, 0.24, 0.24)), {})], winding_constant=234.5)


def test_two_pairs_give_their_resistances_and_say_what_is_missing() -> None:
    columns = {name: column for name, column in columns_of((0.24, 0.25, 0.26)).items() if not name.endswith("ca")}
    fit = fitted(PROCEDURE, [Log("w", columns, {"winding_temperature": 20.0})], winding_constant=234.5)
    assert set(PROCEDURE.derive(fit.parameters, {})) == {"resistance_ab", "resistance_bc"}
    assert set(fit.missing) == {"resistance_ca", "phase_resistance", "resistance_unbalance"}
