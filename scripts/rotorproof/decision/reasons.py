"""The verdict in words: one sentence a person can act on, from the content of ``results.json``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..quantities import quantities


def reason(results: Mapping[str, Any]) -> str:
    """Return why the verdict is what it is, naming the quantities that decide."""
    by_decision: dict[str, list[str]] = {}
    for criterion in results["criteria"]:
        by_decision.setdefault(criterion["decision"], []).append(quantities()[criterion["quantity"]].title)
    match results["verdict"]:
        case "accepted":
            return f"all {len(results['criteria'])} criteria are met"
        case "rejected":
            return f"outside the limits: {'; '.join(by_decision['fail'])}"
        case "undecided":
            return f"the uncertainty is too large to decide: {'; '.join(by_decision['undecided'])}"
        case _:
            missing = by_decision.get("not measured")
            return (
                f"not measured: {'; '.join(missing)}"
                if missing
                else "no acceptance set is named, or it has no criteria"
            )
