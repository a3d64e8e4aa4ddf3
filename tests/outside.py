"""A comparison with something no one here made, asserted and recorded (see ``conftest.py``)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pytest

#: What an SI value is multiplied by to be shown in a unit.
SHOWN = {
    "percent": 100.0,
    "deg": 180 / math.pi,
    "mH": 1e3,
    "ms": 1e3,
    "us": 1e6,
    "ns": 1e9,
    "kHz": 1e-3,
}

Row = tuple[str, float, float, str] | tuple[str, float, float, str, str]


class Outside:
    """Compares a number of ours with one from outside, asserts the agreement, and keeps the record."""

    def __init__(self, node: pytest.Item) -> None:
        self._node = node
        self.count = 0

    def __call__(
        self,
        subject: str,
        what: str,
        *,
        ours: float,
        published: float,
        allowance: float,
        source: str,
        unit: str = "1",
    ) -> None:
        """Assert ``|ours - published| <= allowance`` (same unit) and record it.

        ``subject`` is the quantity or procedure (or ``uncertainty``, ``fit``, ``unit``, ``decision``) the check
        speaks for; ``what`` says in words what is compared; ``source`` names publication and place, or
        "common practice, no source", or "from memory: ...".
        """
        ours, published, allowance = float(ours), float(published), float(allowance)
        self.count += 1
        self._node.user_properties.append(
            (
                "outside",
                {
                    "subject": subject,
                    "what": what,
                    "ours": ours,
                    "published": published,
                    "allowance": allowance,
                    "unit": unit,
                    "source": source,
                    "test": self._node.nodeid,
                },
            )
        )
        assert math.isfinite(ours)
        assert allowance >= 0
        assert abs(ours - published) <= allowance, f"{what}: ours {ours:.9g}, outside {published:.9g} ({source})"

    def each(self, found: Mapping[str, float], rows: Sequence[Row], *, source: str, what: str = "") -> None:
        """Compare several of the values ``found``, which are in SI.

        A row holds the quantity, the published value and the allowance in a unit, the unit, and what is compared where
        that is not the same ``what`` for all.
        """
        for subject, published, allowance, unit, *own in rows:
            ours = SHOWN.get(unit, 1.0) * found[subject]
            said = own[0] if own else what
            self(subject, said, ours=ours, published=published, allowance=allowance, source=source, unit=unit)
