"""A user who is not root and lacks rights to a file or folder is told so, and one unit costs no other."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from . import rights
from .bench import Bench, NotHereError


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    try:
        with rights.workshop() as made:
            yield made
    except NotHereError as error:
        pytest.skip(str(error))


@pytest.mark.slow
@pytest.mark.parametrize("what", rights.EVERY, ids=lambda what: f"{what.path} {what.mode:03o}")
def test_rights_that_are_lacking_are_said_and_cost_no_other_unit(bench: Bench, what: rights.Withheld) -> None:
    assert rights.harm(bench, what) == []
