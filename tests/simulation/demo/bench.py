"""The instruments of the invented workshop: what they state, and where within that these specimens lie."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.simulation.instruments import BenchInstrument


@dataclass(frozen=True)
class Spec:
    """A stated accuracy, in percent of reading plus a fixed part in ``unit``, with noise and resolution in SI."""

    percent: float
    fixed: float
    unit: str
    scale: float
    noise: float
    step: float

    def text(self) -> str:
        """Return the accuracy as ``unit.yaml`` writes it."""
        parts = [f"{self.percent:g} %"] if self.percent else []
        parts += [f"{self.fixed:g} {self.unit}"] if self.fixed else []
        return " + ".join(parts)


RPM = 2 * np.pi / 60

INSTRUMENTS: dict[str, tuple[str, str, dict[str, Spec]]] = {
    "dmm": (
        "bench multimeter (invented)",
        "AL-0071",
        {
            "voltage": Spec(0.05, 0.3, "mV", 1e-3, 1.0e-4, 1e-5),
            "current": Spec(0.2, 1, "mA", 1e-3, 4e-4, 1e-4),
            "resistance": Spec(0.1, 0.2, "mohm", 1e-3, 2e-5, 1e-6),
        },
    ),
    "meters": (
        "supply meters (invented)",
        "AL-0033",
        {
            "voltage": Spec(0.1, 5, "mV", 1e-3, 5e-3, 1e-3),
            "current": Spec(0.5, 2, "mA", 1e-3, 2e-3, 1e-3),
        },
    ),
    "scope": (
        "12-bit oscilloscope, its probes compared on one source (invented)",
        "AL-0102",
        {"voltage": Spec(0.5, 50, "mV", 1e-3, 0.06, 0.02), "time": Spec(0.005, 0, "s", 1.0, 0.0, 0.0)},
    ),
    "tachometer": (
        "optical tachometer (invented)",
        "AL-0044",
        {"speed": Spec(0.05, 0.2, "rpm", RPM, 0.15 * RPM, 0.1 * RPM)},
    ),
    "thermometer": (
        "thermocouple thermometer (invented)",
        "AL-0058",
        {"temperature": Spec(0.0, 1, "degC", 1.0, 0.08, 0.1)},
    ),
    "brake": (
        "reaction brake with load cell (invented)",
        "AL-0090",
        {"torque": Spec(0.5, 0.03, "N m", 1.0, 0.004, 0.002), "angle": Spec(0.0, 0.2, "deg", np.pi / 180, 0.0, 0.0)},
    ),
    "megohmmeter": (
        "insulation tester, 500 V (invented)",
        "AL-0015",
        {"resistance": Spec(5, 0, "ohm", 1.0, 0.0, 0.0), "voltage": Spec(2, 0, "V", 1.0, 0.0, 0.0)},
    ),
    "analyser": (
        "power and logic analyser, 24 MS/s (invented)",
        "AL-0120",
        {
            "voltage": Spec(0.05, 3, "mV", 1e-3, 2e-3, 1e-3),
            "current": Spec(0.1, 1, "mA", 1e-3, 3e-4, 1e-4),
            "power": Spec(0.1, 0.02, "W", 1.0, 0.02, 0.01),
            "time": Spec(0.002, 0, "s", 1.0, 0.0, 0.0),
        },
    ),
    "lcr": ("LCR meter (invented)", "AL-0066", {"inductance": Spec(0.5, 0.2, "uH", 1e-6, 1e-7, 1e-8)}),
}

#: Instruments that read each column through an input with a gain of its own.
OWN_CHANNELS = ("scope",)


@dataclass
class Bench:
    """One weekend's bench: the same specimens for all its units, each unit with noise of its own."""

    seed: int
    _specimens: dict[str, BenchInstrument] = field(default_factory=dict)

    def specimen(self, instrument: str, kind: str, channel: str = "") -> BenchInstrument:
        """Return an instrument's specimen for a kind of quantity; its error is the same whenever it is asked for.

        Each ``channel`` of an instrument in ``OWN_CHANNELS`` is a specimen of its own.
        """
        key = f"{instrument}/{kind}/{channel}" if channel else f"{instrument}/{kind}"
        if key not in self._specimens:
            spec = INSTRUMENTS[instrument][2][kind]
            rng = np.random.default_rng([self.seed, zlib.crc32(key.encode())])
            self._specimens[key] = BenchInstrument.drawn(
                rng, spec.percent / 100, spec.fixed * spec.scale, spec.noise, spec.step
            )
        return self._specimens[key]

    def read(self, instrument: str, kind: str, true: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return readings of ``true`` ``(n,)`` in SI."""
        return self.specimen(instrument, kind).read(np.asarray(true, dtype=float), rng)

    def scope_gains(self) -> tuple[float, float, float]:
        """Return the gains of the scope's inputs, probes included, for the voltages ab, bc and ca."""
        ab, bc, ca = (self.specimen("scope", "voltage", pair) for pair in ("ab", "bc", "ca"))
        return tuple(1 + one.position * one.relative for one in (ab, bc, ca))  # type: ignore[return-value]

    def true_of(self, instrument: str, kind: str, shown: float) -> float:
        """Return the true value behind a single shown one (a temperature written into ``unit.yaml``)."""
        one = self.specimen(instrument, kind)
        return (shown - one.position * one.fixed) / (1 + one.position * one.relative)


def instruments_text(used: list[str]) -> str:
    """Return the ``instruments`` section of a ``unit.yaml``."""
    lines = ["instruments:"]
    for key in used:
        model, serial, specs = INSTRUMENTS[key]
        accuracy = ", ".join(f"{kind}: {spec.text()}" for kind, spec in specs.items())
        lines += [
            f"  {key}:",
            f"    model: {model}",
            f"    serial: {serial}",
            "    calibrated_on: 2026-01-12",
            "    calibration_due: 2027-01-12",
            f"    accuracy: {{{accuracy}}}",
            *(["    channels: independent"] if key in OWN_CHANNELS else []),
        ]
    return "\n".join(lines) + "\n"


def write_log(path: Path, columns: dict[str, tuple[str, np.ndarray]]) -> None:
    """Write a plain log: header text -> (format, values)."""
    lines = ["# invented data: no such motor was measured", ",".join(columns)]
    formats = [form for form, _ in columns.values()]
    for row in zip(*(values for _, values in columns.values()), strict=True):
        lines.append(",".join(form % value for form, value in zip(formats, row, strict=True)))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
