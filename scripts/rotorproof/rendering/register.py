"""Render the register of all units as one static page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..jsonio import read_json, write_bytes
from .style import TEMPLATES


def render_register(
    *, units: Sequence[Mapping[str, Any]], refused: Mapping[str, Any], reports: Path, index: Path
) -> None:
    """Write ``index.html`` over all units' results under ``reports``."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, undefined=jinja2.StrictUndefined
    )
    rows = [{"unit": unit, "results": read_json(reports / unit["unit"] / "results.json")} for unit in units]
    write_bytes(index, environment.get_template("register.html.j2").render(rows=rows, refused=refused).encode())
