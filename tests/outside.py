"""A comparison with something no one here made, asserted and recorded (see ``conftest.py``)."""

from __future__ import annotations

import math

import pytest


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
