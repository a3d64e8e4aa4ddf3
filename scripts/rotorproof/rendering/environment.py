"""The template engine: every value is escaped, and a name that does not exist is an error."""

from __future__ import annotations

from functools import cache
from typing import Any

from ..signs import unit_text
from . import gauges, wording, words
from .style import INK, MARKS, MUTED, RULE, TEMPLATES
from .symbols import prose


@cache
def environment() -> Any:
    """Return the Jinja environment over ``templates/``."""
    import jinja2

    found = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters["prose"] = prose
    found.filters["unit_text"] = unit_text
    found.filters["basis_mark"] = wording.basis_mark
    found.filters["maker"] = wording.maker
    found.filters["quantity_title"] = wording.quantity_title
    found.globals.update(
        mark=gauges.mark,
        marks=MARKS,
        colours={"ink": INK, "muted": MUTED, "rule": RULE},
        words=words,
        basis_marks=wording.BASIS_MARKS,
    )
    return found
