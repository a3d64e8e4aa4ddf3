"""The verdict in words: one sentence a person can act on, from the content of ``results.json``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..quantities import quantities

if TYPE_CHECKING:
    from .models import ComparedCriterion, CriterionEntry, Results


def doubt(results: Results) -> str:
    """Return a sentence if readings behind the results look as if a unit were wrong: the verdict may rest on it."""
    places = [p.file or p.procedure for p in results.problems if p.doubt == "unit"]
    if not places:
        return ""
    names = list(dict.fromkeys(str(place).rpartition("/")[2] for place in places if place))
    where = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    likely = next((p.slip for p in results.problems if p.slip), None)
    named = f". The likeliest slip: {likely}. See" if likely else ": see"
    return f"readings look as if a unit or a scale were wrong ({where}){named} Problems before relying on the verdict"


def titled(criterion: CriterionEntry | ComparedCriterion) -> str:
    """Return the title of a criterion's quantity, with the pack and the vehicle that it is judged for."""
    title = quantities()[criterion.quantity].title
    return f"{title}, {criterion.for_.words}" if criterion.for_ else title


def named_as(criterion: CriterionEntry) -> str:
    """Return a criterion's title, or the name of one whose quantity this program does not know."""
    return titled(criterion) if criterion.quantity in quantities() else criterion.name


def reason(results: Results) -> str:
    """Return why the verdict is what it is, naming the quantities that decide."""
    by_decision: dict[str, list[str]] = {}
    for criterion in results.criteria:
        by_decision.setdefault(_why(criterion), []).append(titled(criterion))
    match results.verdict:
        case "accepted":
            return f"all {len(results.criteria)} criteria are met"
        case "rejected":
            return f"outside the limits: {'; '.join(by_decision['fail'])}"
        case "undecided":
            too_wide, of_plate, in_part = (by_decision.get(kind) for kind in ("undecided", "stated", "in part"))
            return "; ".join(
                f"{why}: {'; '.join(titles)}"
                for why, titles in (
                    ("the uncertainty is too large to decide", too_wide),
                    ("what nobody measured decides nothing", of_plate),
                    ("it was looked at in part", in_part),
                )
                if titles
            )
        case _:
            missing = by_decision.get("not measured")
            return (
                f"not measured: {'; '.join(missing)}"
                if missing
                else "no acceptance set is named, or it has no criteria"
            )


def _why(criterion: CriterionEntry) -> str:
    """Return the decision, or why there is none where that is not the uncertainty."""
    if criterion.decision != "undecided" or criterion.origin is None:
        return criterion.decision
    if criterion.origin.kind == "stated":
        return "stated"
    return "in part" if criterion.origin.bound else "undecided"
