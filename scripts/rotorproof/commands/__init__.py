"""The commands of the program, one module each, found by being here.

A module has a docstring (shown by ``--help``), ``add_arguments(parser)`` and ``run(args) -> int``.
"""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType


def names() -> list[str]:
    """Return the names of all commands, as they are typed."""
    modules = [module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_")]
    return sorted(name.replace("_", "-") for name in modules)


def command(name: str) -> ModuleType:
    """Return the module of a command."""
    return importlib.import_module(f"{__name__}.{name.replace('-', '_')}")
