"""How a step that narrows an interval is told, before the bench and after it."""

from __future__ import annotations

from ..signs import number_text
from ..uncertainty.further import Step
from . import procedures

#: Minutes to fetch and connect another instrument, or to measure a stated value anew (common practice, no source).
CHANGE = 15


def words_of(step: Step) -> str:
    """Say what is to be done, and how long it takes."""
    titles = " and ".join(procedures()[test].title for test in step.tests)
    what = {
        "again": f"repeat: {titles}",
        "instrument": f"repeat with an instrument of half the error ({step.what}): {titles}",
        "statement": f"find anew, to half its uncertainty: {step.what}",
        "further": f"add, if it scatters little: {titles}",
    }[step.kind]
    return f"{what} (about {number_text(step.minutes, '.3g')} minutes)"
