"""What the practitioner should know of the instruments themselves: calibration that ran out, figures without source."""

from __future__ import annotations

from ..errors import Problem
from ..settings.unit import UnitFile


def instrument_problems(unit: UnitFile, shown: str) -> list[Problem]:
    """Return a warning for each instrument whose accuracy rests on less than its statement says."""
    problems = []
    for key, instrument in unit.instruments.items():
        due = instrument.calibration_due
        messages = []
        if due is not None and unit.tested_on is None:
            messages.append(
                f"calibration of {key!r} is due on {due}, but the day of the test is not stated: add 'tested_on'"
            )
        elif due is not None and unit.tested_on is not None and due < unit.tested_on:
            messages.append(
                f"calibration of {key!r} was due on {due}, before the test on {unit.tested_on}; its stated accuracy "
                "may no longer hold: have it calibrated and correct the entry, or measure again"
            )
        calibrated = instrument.calibrated_on
        if calibrated is not None and unit.tested_on is not None and calibrated > unit.tested_on:
            messages.append(
                f"{key!r} was calibrated on {calibrated}, after the test on {unit.tested_on}; correct one of the dates"
            )
        if instrument.like is not None and instrument.typical:
            messages.append(
                f"the accuracy of {key!r} for {', '.join(instrument.typical)} is what is typical of a "
                f"{instrument.like.replace('-', ' ')}, not what its maker states; give its own under 'accuracy' for "
                "results to rely on"
            )
        problems += [
            Problem(message, file=shown, column=f"instruments.{key}", severity="warning") for message in messages
        ]
    return problems
