"""The test procedures, one module each, found by being here."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from .base import Procedure

_NOT_PROCEDURES = {"assumption", "base", "bench", "derivation", "fit"}


@cache
def procedures() -> dict[str, Procedure]:
    """Return every procedure by name, in the safe order of testing."""
    found = []
    for module in pkgutil.iter_modules(__path__):
        if module.name not in _NOT_PROCEDURES and not module.name.startswith("_"):
            found.append(importlib.import_module(f"{__name__}.{module.name}").PROCEDURE)
    return {procedure.name: procedure for procedure in sorted(found, key=lambda p: (p.order, p.name))}
