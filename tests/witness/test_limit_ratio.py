"""The ratio of a controller's two limits as a witness: only where both have a logarithm."""

from __future__ import annotations

import math

import pytest

from rotorproof.fitting.points import Point, Run
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.witness.agreement import Ahead, Spreads, agreement


@pytest.mark.parametrize(("supply", "phase", "told"), [(15.0, 30.0, True), (0.0, 30.0, False), (15.0, 0.0, False)])
def test_a_limit_of_zero_costs_its_ratio_and_no_other_witness(supply: float, phase: float, told: bool) -> None:
    name = "current-limit"
    run = Run(procedures()[name], name, (0,))
    values = {"supply_current_limit": supply, "phase_current_limit": phase, "standby_power": 2.0}
    found = agreement(Ahead(lambda _: {}, {}), [run], [Point(values=values)], {0: Log(name, {})}, {}, Spreads({}))
    pools = {pool.name: pool.middle for pool in found.pools}
    assert ("limit ratio" in pools) == told
    assert pools["standby_power"] == pytest.approx(math.log(2.0))
    if told:
        assert pools["limit ratio"] == pytest.approx(math.log(0.5))
