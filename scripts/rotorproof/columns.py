"""The canonical columns of a raw log: name, kind of quantity and meaning, in one place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

#: Parts of names that people say otherwise.
_SPOKEN = {"hall": "position sensor", "duty": "duty ratio", "q": "q axis", "d": "d axis", "ac": "AC"}
_PHASES = ("a", "b", "c", "ab", "bc", "ca")


@dataclass(frozen=True, slots=True)
class Column:
    """A canonical column; ``kind`` is a key of ``units.SI_UNIT``, which fixes the SI unit inside."""

    name: str
    kind: str
    meaning: str

    @property
    def title(self) -> str:
        """Return the name as a person says it: "voltage A-B", "winding temperature"."""
        return " ".join(part for part in self._said() if part)

    def _said(self) -> tuple[str, str]:
        """Return the title without the letters of a phase, and those letters."""
        words = [_SPOKEN.get(word, word) for word in self.name.split("_")]
        if words[0] == "temperature":
            words = [*words[1:], words[0]]
        last = words[-1]
        if len(words) > 1 and last in _PHASES:
            return " ".join(words[:-1]), "-".join(last.upper())
        if words[0] == "gate":
            return "gate", f"{last[0].upper()} {'high' if last[1] == 'h' else 'low'}"
        return " ".join(words), ""


def _family(names: str, kind: str, meaning: str) -> list[Column]:
    return [Column(name, kind, meaning) for name in names.split()]


COLUMNS: dict[str, Column] = {
    column.name: column
    for column in [
        *_family("time", "time", "time since an arbitrary start"),
        *_family("voltage_ab voltage_bc voltage_ca", "voltage", "line-to-line voltage"),
        *_family("ac_voltage_ab ac_voltage_bc ac_voltage_ca", "voltage", "line-to-line AC voltage as a meter shows it"),
        *_family("voltage_a voltage_b voltage_c", "voltage", "phase voltage to the star point"),
        *_family(
            "current_a current_b current_c", "current", "phase current into the motor, as it flows at that moment"
        ),
        *_family("current_ab current_bc current_ca", "current", "direct current through a pair of lines"),
        *_family("current_q current_d", "current", "rotor-frame current, peak of the phase current (not RMS)"),
        *_family("voltage_q voltage_d", "voltage", "rotor-frame voltage, scaled as the currents are"),
        *_family("supply_voltage", "voltage", "DC supply voltage at the controller's terminals"),
        *_family("supply_current", "current", "DC supply current"),
        *_family("speed", "speed", "mechanical speed"),
        *_family("torque", "torque", "shaft torque"),
        *_family("angle", "angle", "mechanical angle"),
        *_family("hall_a hall_b hall_c", "logic", "position sensor level"),
        *_family("gate_ah gate_al gate_bh gate_bl gate_ch gate_cl", "logic", "gate signal, phase and side"),
        *_family("throttle", "voltage", "throttle signal"),
        *_family("duty", "ratio", "duty ratio of the bridge"),
        *_family("brake", "voltage", "brake signal or brake excitation"),
        *_family("temperature_winding", "temperature", "winding temperature"),
        *_family("temperature_case", "temperature", "housing temperature"),
        *_family("temperature_ambient", "temperature", "air temperature near the unit"),
        *_family("temperature_controller", "temperature", "controller temperature"),
        *_family("insulation_resistance", "resistance", "insulation resistance, winding to frame"),
        *_family("resistance_ab resistance_bc resistance_ca", "resistance", "line-to-line resistance reading"),
        *_family("inductance_ab inductance_bc inductance_ca", "inductance", "line-to-line inductance"),
        *_family("force", "force", "force at the end of the lever arm"),
        *_family("phase_power", "power", "total power of the three phases"),
        *_family("phase_power_a phase_power_b phase_power_c", "power", "power of one phase"),
        *_family("wattmeter_1 wattmeter_2", "power", "one of two wattmeters between lines; their sum is the total"),
    ]
}


def titles(names: Iterable[str]) -> str:
    """Return canonical columns as a person says them, one family once: "time, voltage A-B, B-C, C-A, speed"."""
    families: dict[str, list[str]] = {}
    for name in names:
        column = COLUMNS.get(name)
        family, phase = column._said() if column else (name.replace("_", " "), "")
        families.setdefault(family, []).append(phase)
    return ", ".join(
        f"{family} {', '.join(phase for phase in phases if phase)}".rstrip() for family, phases in families.items()
    )
