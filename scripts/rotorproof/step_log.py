"""The log of a step of the workflow, which the screen names where a step fails: it always says how the step ended."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from .errors import InputError

DONE = "done, nothing failed\n"


def logged(main: Callable[..., Sequence[str] | None], arguments: Mapping[str, Any], log: Path) -> None:
    """Do the work of a step and write into ``log`` how it ended; what it raises is raised again.

    ``main`` returns the traces of failures that cost single results alone, if there are any.
    """
    log.parent.mkdir(parents=True, exist_ok=True)
    try:
        traces = main(**arguments)
    except InputError as error:
        log.write_text(f"{error}\n", encoding="utf-8")
        raise
    except BaseException:
        log.write_text(traceback.format_exc(), encoding="utf-8")
        raise
    log.write_text("\n".join(traces or ()) or DONE, encoding="utf-8")
