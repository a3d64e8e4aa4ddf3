"""What explains that a criterion is not met, and what to do next: from what the tests saw, else from the quantity."""

from __future__ import annotations

from collections.abc import Sequence

from ..fitting.stored import StoredFit
from ..quantities import quantities
from .models import AdviceEntry, CriterionEntry


def advise(criteria: Sequence[CriterionEntry], fit: StoredFit) -> None:
    """Add ``advice`` to the criteria that fail. ``fit`` is what ``load_fit`` returns; hints of parts count too."""
    makers = [*fit.makers, *(made for one in fit.parts for made in one.outcomes)]
    hints = [hint for made in makers for hint in made.hints]
    for row in criteria:
        if row.decision == "fail":
            found = [_advice(hint.why, hint.step) for hint in hints if hint.quantity == row.quantity]
            remedy = quantities()[row.quantity].remedy
            if not found and (row.reason or remedy):
                found = [_advice(row.reason, remedy)]
            if found:
                row.advice = found


def _advice(why: str | None, step: str | None) -> AdviceEntry:
    return AdviceEntry.model_validate({key: text for key, text in (("why", why), ("step", step)) if text})
