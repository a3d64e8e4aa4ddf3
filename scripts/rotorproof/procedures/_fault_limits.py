"""When an output has ended after a fault: what an acceptance set may state, and what holds where it states nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..signs import value_text


@dataclass(frozen=True, slots=True)
class FaultLimit:
    """One limit: its name, unit on a page, its value in SI where nobody states one, and what it means."""

    name: str
    unit: str
    default: float
    meaning: str

    def said(self, value: float) -> str:
        """Return a value as text."""
        return value_text(100.0 * value if self.unit == "percent" else value, self.unit)


#: The most that a share may be: above it an output that goes on would count as ended, or a driven rotor as at rest.
MOST_SHARE = 0.5

#: All defaults are common practice, no source.
FAULT_LIMITS = {
    limit.name: limit
    for limit in (
        FaultLimit(
            "ended_share", "percent", 0.05,
            "an output has ended below this share of what it was before the fault, standby subtracted",
        ),
        FaultLimit(
            "standby_share", "percent", 0.3,
            "a current that stays to the end is the controller's standby up to this share of that before the fault",
        ),
        FaultLimit(
            "coasted_share", "percent", 0.5,
            "a speed that ends below this share of that before the fault shows that nothing drives the rotor",
        ),
        FaultLimit(
            "watched", "s", 5.0, "an output that goes on for so long after a fault counts as never ended"
        ),
        FaultLimit(
            "driven_current", "A", 0.5,
            "at power-on a motor is driven by so much supply current over the least of the log",
        ),
        FaultLimit(
            "driven_share", "percent", 0.02,
            "at power-on a motor is driven above this duty ratio, or this share of the largest torque of the log",
        ),
    )
}  # fmt: skip


def of(given: Mapping[str, float]) -> dict[str, float]:
    """Return every limit in SI by its name: as the scalars ``fault_<name>`` state it, else the default."""
    return {name: given.get(f"fault_{name}", limit.default) for name, limit in FAULT_LIMITS.items()}


def note(given: Mapping[str, float]) -> str:
    """Return the limits that faults were judged by, as a line of a report."""
    stated = [name for name in FAULT_LIMITS if f"fault_{name}" in given]
    values = of(given)
    parts = (
        f"{limit.meaning} ({limit.said(values[name])}{'' if name in stated else ', by default'})"
        for name, limit in FAULT_LIMITS.items()
    )
    return f"Faults are judged by limits of the acceptance set ('fault_tests'): {'; '.join(parts)}."
