"""Does one unit agree with itself? The same quantity from several procedures, compared with their uncertainties."""

from __future__ import annotations

from collections.abc import Mapping

from ..errors import Problem
from ..quantities import quantities
from ..signs import number_text, unit_text
from .models import MainEntry
from .plausible import unit_slip

_DIFFER = "These numbers alone do not say which of the two is off"


def cross_checks(found: Mapping[str, MainEntry]) -> list[Problem]:
    """Return a warning for each quantity whose procedures disagree: normalised error above 1 (ISO/IEC 17043).

    ``found`` holds the quantities as ``results.json`` does.
    """
    warnings = []
    for name, entry in found.items():
        quantity = quantities()[name]
        # What a quantity is adjusted from was judged together.
        apart = found.get(quantity.holds)
        judged = {test.procedure for test in entry.consistency.tests} if entry.consistency else set()
        for other in entry.alternatives or ():
            if apart is not None and apart.procedure == entry.procedure != other.procedure:
                continue  # the other's value holds what this one tells apart: they are two quantities
            error = other.normalised_error
            if error is None or error <= 1 or (other.procedure in judged and other.part is None):
                continue
            ours = f"{number_text(entry.value, '.4g')} ± {number_text(entry.expanded_uncertainty, '.2g')}"
            theirs = f"{number_text(other.value, '.4g')} ± {number_text(other.expanded_uncertainty, '.2g')}"
            here, there = (f"{e.procedure}{f' of {e.part}' if e.part else ''}" for e in (entry, other))
            slip = unit_slip(entry.value, other.value)
            # A cause is named where the numbers point to one; else they only differ.
            cause = f"Likely cause: {quantity.disagreement}" if quantity.disagreement else _DIFFER
            warnings.append(
                Problem(
                    f"{quantity.title} is {ours} {unit_text(entry.unit)} by {here} but {theirs} by "
                    f"{there}: {error:.1f} times what their uncertainties allow. "
                    + (f"Is the unit right? {slip[0].upper()}{slip[1:]}" if slip else cause),
                    severity="warning",
                    procedure=other.procedure,
                    doubt="unit" if slip else None,
                )
            )
    return warnings
