"""Each kind of wrong input is answered with its place and what to do, and harms no other unit."""

from __future__ import annotations

import pytest

from .bench import Bench, process
from .catalogue import CASES


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """Return the results of the good unit beside a unit that is as good."""
    outcome = process(Bench(tmp_path_factory.mktemp("good")).build().root)
    assert outcome.refused == []
    assert [r["verdict"] for r in outcome.results.values()] == ["accepted", "accepted"]
    assert not any(outcome.problems.values())
    return outcome.results["GOOD"]


def test_the_catalogue_names_each_kind_once():
    assert len({case.name for case in CASES}) == len(CASES) >= 60


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_wrong_input_is_named(case, tmp_path, untouched):
    bench = Bench(tmp_path).build()
    case.change(bench)
    outcome = process(tmp_path)
    assert outcome.settings == []
    assert outcome.results["GOOD"] == untouched, "another unit's results changed"
    assert ("BAD" in outcome.refused) == case.refused
    problems = outcome.problems["BAD"]
    matching = [
        p
        for p in problems
        if (p.get("file"), p.get("line"), p.get("column")) == (case.file, case.line, case.column)
        and case.words in p["message"]
    ]
    assert matching, f"no such problem among {problems}"
    assert matching[0]["severity"] == case.severity
    for problem in problems:
        assert "Traceback" not in problem["message"]
        assert "did not foresee" not in problem["message"]
        assert len(problem["message"]) < 600
    if case.severity == "error":
        assert not outcome.results.get("BAD", {}).get("quantities"), "a number was given from input that is wrong"
