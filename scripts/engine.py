"""Start the workflow engine for a run on this computer; takes the engine's own arguments.

The engine limits how many jobs it starts in a second, which no option of it switches off. Each job that ends while the
limit stands has it look at all that is ready once more every second until the run ends: with thousands of jobs it
would do little else. The limit spares the controller of a cluster; here jobs wait for a free core anyway.

At its start the engine loads whatever is installed for runs on clusters, and with it the libraries for tables and for
the cluster's server: a third of the time of its start, for what a run on this computer cannot use.
"""

from __future__ import annotations

import contextlib
import pkgutil
import sys
from collections.abc import Iterator, Sequence
from typing import Any

#: What the engine's ways of running jobs elsewhere are called; those it has within itself are no such packages.
_ELSEWHERE = "snakemake_executor_plugin_"


@contextlib.contextmanager
def without_clusters() -> Iterator[None]:
    """Let the engine's look for installed packages find none that runs jobs elsewhere."""
    every = pkgutil.iter_modules

    def here(*places: Any) -> Iterator[pkgutil.ModuleInfo]:
        return (found for found in every(*places) if not found.name.startswith(_ELSEWHERE))

    pkgutil.iter_modules = here  # type: ignore[assignment]
    try:
        yield
    finally:
        pkgutil.iter_modules = every


def main(arguments: Sequence[str]) -> int:
    """Run the engine and return its exit status."""
    with without_clusters():
        from snakemake import PIP_DEPLOYMENTS_PATH, cli
        from snakemake.exceptions import print_exception

    # A folder of plugins for rented machines, relative to wherever a run happens to be.
    sys.path[:] = [path for path in sys.path if path != PIP_DEPLOYMENTS_PATH]
    try:
        parser, chosen = cli.parse_args(list(arguments))
        chosen.max_jobs_per_timespan = None
        done = cli.args_to_api(chosen, parser)
    except Exception as error:
        print_exception(error)
        return 1
    return 0 if done else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
