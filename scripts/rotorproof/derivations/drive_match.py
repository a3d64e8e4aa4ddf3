"""Whether a motor and a controller fit each other: sensors, currents, times, each as a number to limit.

What was not measured is missing, with the reason; nothing is taken for granted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar

from ..physics import pairing
from ..physics.six_step import PHASES, Connection, change_words
from ..procedures.base import Hint, Need, Table, UnitKind
from ..procedures.derivation import Derivation, Shown, named, needs_words
from ._drive_quantities import PAIR

_TABLES = ("commutation_table", "controller_table")
#: Wires letter to letter: A, B, C.
_STRAIGHT = 123.0
#: Quantity -> the scalars it is computed from, and how.
_NUMBERS: dict[str, tuple[tuple[str, ...], Callable[[float, float], float]]] = {
    "current_limit_ratio": (("phase_current_limit", "continuous_current"), lambda limit, lasting: limit / lasting),
    "dead_time_share": (("dead_time_min", "pwm_frequency"), lambda time, frequency: time * frequency),
}


class DriveMatch(Derivation):
    """How the two parts of a drive fit each other."""

    name = "drive-match"
    title = "Do motor and controller fit each other?"
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("drive",)
    needs = (
        Need("commutation_table", "the drive that each sensor state asks for", part="motor"),
        Need("hall_spacing", "the kind of sensor set", part="motor"),
        Need("continuous_current", "what the motor bears", part="motor"),
        Need("controller_table", "the drive that each sensor state gets", part="controller"),
        Need("phase_current_limit", "what it lets through the motor", part="controller"),
        Need("pwm_frequency", "the switching period", part="controller"),
        Need("dead_time_min", "what dead time takes of a period", part="controller"),
    )
    gives = ("commutation_match", "wires_to_move", "sensor_spacing_mismatch", *_NUMBERS)
    quantities = PAIR
    not_covered = ("No real pair was connected in all 36 ways; connections are compared with trials on paper.",)
    order = 105

    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return each number whose scalars are there."""
        result = {}
        found = _connected(given)
        if found is not None:
            result["commutation_match"] = found.own.torque
            if found.goal is not None:
                result["wires_to_move"] = float(found.moved)
        if "hall_spacing" in given and "controller_table" in given:
            controllers = pairing.spacing(given["controller_table"])
            if controllers is not None:
                result["sensor_spacing_mismatch"] = abs(given["hall_spacing"] - controllers)
        for name, (needed, compute) in _NUMBERS.items():
            if all(one in given for one in needed):
                result[name] = compute(*(given[one] for one in needed))
        return result

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return the connection, as it is and as it should be, and why numbers are missing."""
        if not any(need.quantity in given for need in self.needs):
            return Shown()
        missing = {name: _why(name, given) for name in self.gives if name not in result}
        tables, notes = _connection_shown(given)
        return Shown((), tables, notes, missing, _hints(given))

    def predicted_from(self, name: str, given: Mapping[str, float], result: Mapping[str, float]) -> str:
        """Return the scalars that a quantity is computed from."""
        del given, result
        return named(_needed(name))


@dataclass(frozen=True)
class _Connected:
    """The connection of the pair, the one that runs forward with the fewest wires moved, and how many those are."""

    own: Connection
    goal: Connection | None
    moved: int


def _connected(given: Mapping[str, float]) -> _Connected | None:
    """Return what the tables say of the connection, ``None`` if they say nothing."""
    if any(name not in given for name in _TABLES):
        return None
    every = pairing.pairing(round(given["commutation_table"]), round(given["controller_table"]))
    if every is None:
        return None
    own = pairing.connected(every, *(given.get(f"connected_{kind}", _STRAIGHT) for kind in ("phases", "sensors")))
    found = pairing.wires_moved(own, every)
    return _Connected(own, None, 0) if found is None else _Connected(own, found[1], found[0])


def _needed(name: str) -> tuple[str, ...]:
    if name == "sensor_spacing_mismatch":
        return ("hall_spacing", "controller_table")
    return _NUMBERS[name][0] if name in _NUMBERS else _TABLES


def _hints(given: Mapping[str, float]) -> list[Hint]:
    """Return what mends the connection."""
    found = _connected(given)
    if found is None:
        return []
    runs = found.own.behaviour if found.own.behaviour.startswith("does") else f"runs {found.own.behaviour}"
    step = (
        "no connection of these wires runs forward with full torque: match the sensor sets first"
        if found.goal is None
        else f"at the controller, {change_words(found.own, found.goal)}; then try it with a current-limited supply and "
        "the wheel off the ground"
    )
    if found.goal is not None and not found.moved:
        return []
    return [Hint(name, f"as connected the pair {runs}", step) for name in ("wires_to_move", "commutation_match")]


def _why(name: str, given: Mapping[str, float]) -> str:
    lacking = [one for one in _needed(name) if one not in given]
    if lacking:
        return needs_words(lacking)
    if name == "wires_to_move" and _connected(given) is not None:
        return "no connection of these wires runs forward with full torque"
    if pairing.spacing(given["controller_table"]) is None:
        return "the controller's table is no six-step table of three sensors; capture its gates again"
    return (
        "the tables tell the connection only where both are of sensors 120 degrees apart; match the sensor sets first, "
        "or try the connection with a current-limited supply"
    )


def _connection_shown(given: Mapping[str, float]) -> tuple[list[Table], list[str]]:
    """Return the connection as a table, and in words what to change."""
    found = _connected(given)
    if found is None:
        return [], []
    rows = [_row("as connected", found.own)]
    notes = []
    if not {"connected_phases", "connected_sensors"} <= set(given):
        notes.append("Wires whose connection is not stated under 'parts' in unit.yaml are taken letter to letter.")
    if found.goal is None:
        notes.append("No connection of these wires runs forward with full torque.")
    elif found.moved:
        rows.append(_row("to run forward", found.goal))
        behaviour = found.own.behaviour if found.own.behaviour.startswith("does") else f"runs {found.own.behaviour}"
        notes.append(
            f"As connected the pair {behaviour}. To run forward, at the controller: "
            f"{change_words(found.own, found.goal)}. Forward is the direction in which the motor was driven for its "
            "sensor test. Try a new connection with a current-limited supply and the wheel off the ground."
        )
    else:
        notes.append("As connected the controller's table is the one the motor's sensors ask for.")
    headers = ["Connection", "Motor phases at A B C", "Sensors at A B C", "Behaviour", "Torque over the best"]
    return [Table("The controller's terminals and the motor's wires", headers, rows)], notes


def _row(name: str, one: Connection) -> list[str]:
    phases, sensors = (" ".join(PHASES[i] for i in wires) for wires in (one.phases, one.sensors))
    return [name, phases, sensors, one.behaviour, f"{one.torque:.2f}"]


DERIVATION = DriveMatch()
