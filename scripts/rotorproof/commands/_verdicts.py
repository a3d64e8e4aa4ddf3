"""The table of verdicts with which the ``report`` command ends."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Table:
    """A row for each unit, and lines for the screen about what is wrong, above and below the table.

    A row's ``report`` is its place in the folder ``reports``.
    """

    reports: str
    rows: list[dict[str, Any]]
    wrong: list[str]
    beside: list[str]

    def as_json(self) -> dict[str, Any]:
        """Return what the table is made from again."""
        return asdict(self)

    def show(self, *, as_json: bool) -> None:
        """Print the table, its rows alone as JSON if asked for; what is wrong goes beside it."""
        rows = [
            {**row, "report": os.path.relpath(Path(self.reports) / row["report"])} if "report" in row else row
            for row in self.rows
        ]
        if as_json:
            print(json.dumps(rows, indent=2))
        else:
            self._print(rows)
        for line in self.beside:
            print(line, file=sys.stderr)

    def _print(self, rows: list[dict[str, Any]]) -> None:
        for line in self.wrong:
            print(line, file=sys.stderr)
        width = max([len(row["unit"]) for row in rows], default=4)
        for row in rows:
            print(f"{row['unit']:<{width}}  {row['verdict']:<12}  {row['reason']}")
            if "doubt" in row:
                print(f"{'':<{width}}  {row['doubt']}")
            if "report" in row:
                extra = f"  ({row['problems']})" if row["problems"] else ""
                print(f"{'':<{width}}  {row['report']}{extra}")
        print(f"{'register':<{width}}  {os.path.relpath(Path(self.reports) / 'index.html')}")
