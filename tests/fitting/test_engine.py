"""The engine: straight formulas keep their linear interval, bent ones are drawn, and both are kept on file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.fitting.engine import Outcome, run, without_rounding
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import UnitFit
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form, Influence

PROCEDURE = procedures()["winding-resistance"]


def outcome(
    resistances: Sequence[float],
    seed: int = 1,
    unit: str = "U",
    given: Mapping[str, Form] | None = None,
    temperature: float = 20.0,
    **more: Any,
) -> Outcome:
    rng = np.random.default_rng(seed)
    current = np.repeat(np.linspace(1, 6, 6), 2)
    columns: dict[str, np.ndarray] = {}
    for pair, resistance in zip(("ab", "bc", "ca"), resistances, strict=True):
        columns[f"current_{pair}"] = current
        columns[f"voltage_{pair}"] = resistance * current + rng.normal(0, 1e-3, 12)
    readers = [
        InstrumentError(
            Influence("volts", "volts", "rectangular"), Accuracy(0.005, 0.0), [(0, c) for c in columns if "volt" in c]
        )
    ]
    return run(
        PROCEDURE,
        [Log("w", columns, {"winding_temperature": temperature})],
        label="w",
        unit=unit,
        given=given or {"winding_constant": Form(234.5)},
        instruments=readers,
        uncertain_conditions={},
        **more,
    )


def test_a_straight_formula_is_not_drawn() -> None:
    found = outcome((0.24, 0.25, 0.26))
    assert "phase_resistance" not in found.simulated
    assert found.result("phase_resistance").interval(0.95) == interval(found.forms["phase_resistance"])


def test_the_unbalance_of_an_even_winding_is_drawn_and_holds_zero() -> None:
    held, drawn = 0, []
    for seed in range(40):
        found = outcome((0.24, 0.24, 0.24), seed=seed, unit=f"U{seed}")
        simulated, linear = found.simulated["resistance_unbalance"], interval(found.forms["resistance_unbalance"])
        if simulated.trials > 0:
            drawn.append(simulated.trials)
        else:
            # Of the largest of three deviations the lower end is lowered all the same, the upper one stands.
            assert simulated.low < linear.low
            assert simulated.high == pytest.approx(linear.high)
        held += found.result("resistance_unbalance").interval(0.95).low == 0
    # Zero is where the share is lowest, about 0.90: 40 units leave 36, and fewer than 30 about never.
    assert held >= 30
    # Now and then the linear interval is as good and nothing is drawn (JCGM 101:2008, 8.1.3); the formula takes arrays.
    assert len(drawn) >= 36
    assert min(drawn) >= 20_000


def test_trials_follow_the_unit_and_the_stated_probability() -> None:
    first, again, other = (outcome((0.24, 0.24, 0.24), unit=u).simulated for u in ("U", "U", "V"))
    assert first == again
    assert first != other
    wide = outcome((0.24, 0.24, 0.24), probability=0.99).simulated["resistance_unbalance"]
    assert wide.high > 1.1 * first["resistance_unbalance"].high


def test_a_common_gain_cancels_in_the_unbalance() -> None:
    budget = outcome((0.24, 0.25, 0.26)).forms["resistance_unbalance"].terms
    assert abs(budget.get(Influence("volts", "volts"), 0.0)) < 1e-9


def test_what_was_drawn_is_kept_on_file(tmp_path: Path) -> None:
    found = outcome((0.24, 0.24, 0.24))
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", UnitFit(outcomes=[found]))
    (part,) = load_fit(tmp_path / "fit.json").outcomes
    assert part.simulated == found.simulated
    assert part.forms["phase_resistance"].value == pytest.approx(found.forms["phase_resistance"].value)


def test_a_scalar_moves_what_asks_for_it_and_costs_nothing_where_nobody_does(monkeypatch: pytest.MonkeyPatch) -> None:
    fits = []
    fit = PROCEDURE.estimate
    monkeypatch.setattr(PROCEDURE, "estimate", lambda *arguments: fits.append(1) or fit(*arguments))
    stated = {name: Influence(name, name) for name in ("constant", "mass")}
    copper = Form(234.5, {stated["constant"]: 3.0})

    def at(given: Mapping[str, Form]) -> tuple[Outcome, int]:
        fits.clear()
        found = outcome((0.24, 0.25, 0.26), given=given, temperature=80.0)
        return found, len(fits)

    exact, fewest = at({"winding_constant": Form(234.5)})
    moved, more = at({"winding_constant": copper})
    beside, same = at({"winding_constant": copper, "vehicle_mass": Form(90.0, {stated["mass"]: 5.0})})
    assert (more, same) == (fewest + 2, more)
    assert beside.forms == moved.forms
    # R20 = R80 (K + 20)/(K + 80), IEC 60034-1, 8.6.2, from memory: the slope over K is R80 60/(K + 80)^2.
    resistance = exact.forms["phase_resistance"].value * (234.5 + 80.0) / (234.5 + 20.0)
    slope = resistance * 60.0 / (234.5 + 80.0) ** 2
    assert moved.forms["phase_resistance"].terms[stated["constant"]] == pytest.approx(3.0 * slope, rel=1e-3)
    assert stated["mass"] not in beside.forms["phase_resistance"].terms


def test_a_quantity_that_cannot_be_followed_costs_itself_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    derive, whole = PROCEDURE.derive, outcome((0.24, 0.25, 0.26))
    # Beyond what scatter does, within what half a percent of the voltage does.
    limit = 1.001 * whole.forms["phase_resistance"].value

    def lost(parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        found = derive(parameters, given)
        if np.all(np.asarray(found["phase_resistance"]) > limit):
            del found["resistance_unbalance"]
        return found

    monkeypatch.setattr(PROCEDURE, "derive", lost)
    found = outcome((0.24, 0.25, 0.26))
    assert set(whole.forms) - set(found.forms) == {"resistance_unbalance"}
    assert found.forms["phase_resistance"] == whole.forms["phase_resistance"]
    assert "cannot be followed over the uncertainty of volts" in found.fit.missing["resistance_unbalance"]


def test_what_moves_a_result_by_a_last_digit_is_no_influence_of_it() -> None:
    meter, clock, angle = (Influence(name, name) for name in ("meter", "clock", "angle"))
    found = without_rounding(Form(2e-4, {meter: 3e-6, clock: 1e-9, angle: 1.4e-20}))
    assert set(found.terms) == {meter, clock}
    assert found.value == pytest.approx(2e-4)
    assert without_rounding(Form(1.0, {angle: 0.0})).terms == {}
