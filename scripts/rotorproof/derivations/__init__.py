"""Derivations, one module each, found by being here (see ``procedures.derivation``)."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from ..procedures.derivation import Derivation


@cache
def derivations() -> dict[str, Derivation]:
    """Return every derivation by name, in the order they are computed."""
    found = [
        importlib.import_module(f"{__name__}.{module.name}").DERIVATION
        for module in pkgutil.iter_modules(__path__)
        if not module.name.startswith("_")
    ]
    return {d.name: d for d in sorted(found, key=lambda d: (d.order, d.name))}
