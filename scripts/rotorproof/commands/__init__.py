"""The commands of the program, one module each, found by being here.

A module has a docstring (shown by ``--help``), ``add_arguments(parser)`` and ``run(args) -> int``.
"""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType


def commands() -> dict[str, ModuleType]:
    """Return every command's module by its name on the command line."""
    names = [module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_")]
    return {name.replace("_", "-"): importlib.import_module(f"{__name__}.{name}") for name in sorted(names)}
