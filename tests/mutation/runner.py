"""Runs the outside checks against one broken formula after the other, in one process and a bounded time.

The tests are collected once and run once unbroken, to learn which functions each of them calls. Then the code of one
function at a time is exchanged for its broken form, the checks that call it run, shortest first, until one fails,
and the code is put back. Nothing is written into the program's files.
"""

from __future__ import annotations

import functools
import importlib
import io
import json
import random
import re
import signal
import sys
import time
import warnings
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FunctionType, SimpleNamespace
from typing import Any

import pytest

from tests.mutation.mutants import Mutant, mutants
from tests.outside import Outside

ROOT = Path(__file__).parents[2]
#: Processor time in s after which no further check of a mutant is begun.
_PER_MUTANT = 4.0
PACKAGE = ROOT / "scripts" / "rotorproof"


class _TooLongError(BaseException):
    """A broken formula made a check run on; that is as good as failing."""


def targets(words: list[str]) -> list[Path]:
    """Return the files with formulae: physics, derivations, and the procedures (their ``derive`` alone)."""
    found = [
        *sorted((PACKAGE / "physics").glob("*.py")),
        *sorted((PACKAGE / "derivations").glob("*.py")),
        *sorted((PACKAGE / "procedures").glob("[a-z]*.py")),
        *sorted((PACKAGE / "uncertainty").glob("[a-z]*.py")),
    ]
    return [path for path in found if not words or path.stem in words]


def is_formula(path: Path, function: str) -> bool:
    """Tell whether a function of a file holds formulae that results depend on, rather than views and texts."""
    if path.parent.name == "procedures":
        return function.endswith(".derive")
    if path.parent.name == "derivations":
        return not function.rpartition(".")[2].startswith(("show", "_notes", "_panels", "_states_table"))
    return True


def function_of(path: Path, qualified: str) -> FunctionType | None:
    """Return the function object behind a qualified name, without its wrappers."""
    name = ".".join(path.relative_to(ROOT / "scripts").with_suffix("").parts)
    found: Any = importlib.import_module(name)
    for part in qualified.split("."):
        found = vars(found).get(part)
    if isinstance(found, property):
        found = found.fget
    if isinstance(found, staticmethod | classmethod):
        found = found.__func__
    while hasattr(found, "__wrapped__"):
        found = found.__wrapped__
    return found if isinstance(found, FunctionType) else None


def _caches() -> list[Any]:
    return [
        value
        for name, module in list(sys.modules.items())
        if name.startswith(("rotorproof.physics.", "rotorproof.derivations.", "rotorproof.uncertainty."))
        for value in vars(module).values()
        if isinstance(value, functools._lru_cache_wrapper)
    ]


@contextmanager
def broken(function: FunctionType, code: CodeType) -> Iterator[None]:
    """Exchange the code of a function for a while."""
    sound = function.__code__
    function.__code__ = code
    for cache in _caches():
        cache.cache_clear()
    try:
        yield
    finally:
        function.__code__ = sound
        for cache in _caches():
            cache.cache_clear()


@dataclass
class Check:
    """One test with outside checks: how to call it again, what it calls, and how long it takes."""

    name: str
    call: Any
    arguments: dict[str, Any]
    #: Whether predictions are those of a DC machine in it.
    smooth: bool = False
    seconds: float = 0.0
    functions: set[tuple[str, str]] = field(default_factory=set)
    #: What the sound program gives in each comparison.
    sound: list[float] = field(default_factory=list)
    #: By how much the last run moved a compared value at most, relative to itself and to its allowance, and which.
    moved: tuple[float, float, str] = (0.0, 0.0, "")

    def fails(self, limit: float) -> bool:
        """Run the test; an error of any kind, or running on, is a failure."""
        node = SimpleNamespace(user_properties=[], nodeid=self.name)
        recorder = Outside(node)  # type: ignore[arg-type]
        signal.setitimer(signal.ITIMER_VIRTUAL, limit)
        try:
            with warnings.catch_warnings(), redirect_stdout(io.StringIO()):
                warnings.simplefilter("ignore")
                with pytest.MonkeyPatch.context() as patch:
                    if self.smooth:
                        from tests.conftest import let_drives_be_smooth  # once pytest has begun

                        let_drives_be_smooth(patch)
                    self.call(**{**self.arguments, "outside": recorder})
        except (Exception, pytest.fail.Exception, _TooLongError):
            return True
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        rows = [row for _, row in node.user_properties]
        self.sound = self.sound or [row["ours"] for row in rows]
        self.moved = max(
            (
                (
                    abs(row["ours"] - b) / max(abs(b), 1e-300),
                    abs(row["ours"] - b) / max(row["allowance"], 1e-300),
                    row["what"],
                )
                for row, b in zip(rows, self.sound, strict=False)
            ),
            default=(0.0, 0.0, ""),
        )
        return False


class Session:
    """A plugin that takes over pytest's loop: first all checks unbroken, then the mutants."""

    def __init__(
        self,
        *,
        words: list[str],
        seed: int,
        most: int,
        seconds: float,
        progress: Path | None,
        known: list[dict[str, Any]],
    ) -> None:
        self.words, self.seed, self.most, self.seconds, self.progress = words, seed, most, seconds, progress
        self.known = {_key(row): row for row in known}
        self.checks: dict[str, Check] = {}
        self.rows: list[dict[str, Any]] = []
        self.kills: Counter[tuple[str, str]] = Counter()
        self.total = 0
        self.spent = 0.0

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep the outside checks alone."""
        items[:] = [item for item in items if "outside" in getattr(item, "fixturenames", ())]

    @pytest.hookimpl(tryfirst=True)
    def pytest_pyfunc_call(self, pyfuncitem: pytest.Function) -> object:
        """Run a test unbroken, note what it calls, and keep how to call it again."""
        names = pyfuncitem._fixtureinfo.argnames
        check = Check(pyfuncitem.nodeid, pyfuncitem.obj, {name: pyfuncitem.funcargs[name] for name in names})
        check.smooth = "smooth_drive" in pyfuncitem.fixturenames
        rooms = tuple(str(PACKAGE / room) for room in ("physics", "derivations", "procedures", "uncertainty"))
        seen: set[CodeType] = set()

        def note(frame: Any, event: str, _: object) -> None:
            if event == "call":
                seen.add(frame.f_code)

        begin = time.process_time()
        check.call(**check.arguments)
        check.seconds = time.process_time() - begin
        for cache in _caches():
            cache.cache_clear()  # what an earlier check left there would hide a call
        sys.setprofile(note)
        try:
            check.call(**check.arguments)
        finally:
            sys.setprofile(None)
        check.functions = {
            (code.co_filename, code.co_qualname.partition(".<locals>")[0])
            for code in seen
            if str(Path(code.co_filename).resolve()).startswith(rooms)
        }
        self.checks[check.name] = check
        return True

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtestloop(self, session: pytest.Session) -> Iterator[None]:
        """Run the mutants after the loop has run every check unbroken."""
        yield
        if session.testsfailed:
            raise session.Failed("the checks must pass before formulae are broken")
        signal.signal(signal.SIGVTALRM, _give_up)
        # One that rests on what its fixtures had put in place, and have taken back, would find every error there is.
        unfit = sorted(name for name, check in self.checks.items() if check.fails(600.0))
        for name in unfit:
            del self.checks[name]
        if unfit:
            print("\nleft out, since they fail when they are called again:", *unfit, sep="\n  ")
        callers: dict[tuple[str, str], list[Check]] = defaultdict(list)
        for check in sorted(self.checks.values(), key=lambda check: check.seconds):
            for path, function in check.functions:
                callers[str(Path(path).resolve()), function].append(check)
        everything = [
            mutant
            for path in targets(self.words)
            for mutant in mutants(path.resolve(), functools.partial(is_formula, path))
        ]
        self.total = len(everything)
        chosen = random.Random(self.seed).sample(everything, min(self.most or self.total, self.total))
        if self.known:
            # What was found stays found as long as its line stands; the others are tried by these checks.
            before = {id(mutant): self.known.get(_key(vars(mutant) | {"file": _file(mutant)})) for mutant in chosen}
            self.rows = [row for mutant in chosen if (row := before[id(mutant)]) and row["outcome"] == "found"]
            chosen = [m for m in chosen if not (row := before[id(m)]) or row["outcome"] != "found"]
        begin = time.process_time()
        for mutant in chosen:
            if time.process_time() - begin > self.seconds:
                break
            row = self._row(mutant, callers[str(mutant.path), mutant.function])
            self.rows.append(_stronger(row, self.known.get(_key(row))))
            if self.progress and len(self.rows) % 100 == 0:
                self.spent = time.process_time() - begin
                write(self.rows, self.total, self.spent, self.progress)
        self.spent = time.process_time() - begin

    def _row(self, mutant: Mutant, checks: list[Check]) -> dict[str, Any]:
        function = function_of(mutant.path, mutant.function)
        outcome, by, moved, left_out = "not reached", "", (0.0, 0.0, ""), 0
        if function is not None and checks and len(function.__code__.co_freevars) == len(mutant.code.co_freevars):
            outcome = "without effect"
            begin = time.process_time()
            with broken(function, mutant.code):
                # Those that found most errors of this file first, then the quick ones.
                ranked = sorted(checks, key=lambda check: -self.kills[str(mutant.path), check.name])
                for number, check in enumerate(ranked):
                    # A slow check is left out once the quick ones have taken their time.
                    if time.process_time() - begin > _PER_MUTANT:
                        left_out = len(ranked) - number
                        break
                    if check.fails(max(2.0, 10 * check.seconds)):
                        outcome, by = "found", check.name
                        self.kills[str(mutant.path), check.name] += 1
                        break
                    if check.moved[0] > 1e-12:
                        outcome, moved = "within allowance", max(moved, check.moved)
        return {
            "file": _file(mutant),
            "function": mutant.function,
            "line": mutant.line,
            "kind": mutant.kind,
            "before": mutant.before,
            "after": mutant.after,
            "outcome": outcome,
            "by": by,
            "moved": moved[0],
            "of_allowance": moved[1],
            "compared": moved[2],
            "left_out": left_out,
        }


def _file(mutant: Mutant) -> str:
    return str(mutant.path.relative_to(PACKAGE))


def _key(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what tells a broken formula from another, whatever line it has come to stand in."""
    return tuple(row[name] for name in ("file", "function", "kind", "before", "after"))


def _stronger(row: dict[str, Any], past: dict[str, Any] | None) -> dict[str, Any]:
    """Return a row with the outcome of an earlier run where that run's checks said more."""
    rank = ("not reached", "without effect", "within allowance", "found")
    if past is None or rank.index(past["outcome"]) <= rank.index(row["outcome"]):
        return row
    return past | {"line": row["line"]}


def _give_up(*_: object) -> None:
    raise _TooLongError


def summary(rows: list[dict[str, Any]], total: int, spent: float) -> str:
    """Return the outcome as Markdown: by file, by kind, and every error that was not found.

    *Within allowance*: a compared value moved, by less than its check allows. *Without effect*: no compared value moved
    by a trillionth; the place decides what is uncertain, refused, taken first or left out, not the value.
    """
    outcomes = ("found", "within allowance", "without effect", "not reached")
    lines = []
    counts = Counter(row["outcome"] for row in rows)
    lines.append(
        f"{len(rows)} of {total} broken formulae tried in {spent:.0f} s of processor time: "
        + ", ".join(f"{counts[name]} {name}" for name in outcomes)
        + "."
    )
    for key in ("file", "kind"):
        groups: dict[str, Counter[str]] = defaultdict(Counter)
        for row in rows:
            groups[row[key]][row["outcome"]] += 1
        lines += ["", f"| {key} | {' | '.join(outcomes)} |", "|---|---:|---:|---:|---:|"]
        lines += [f"| {name} | {' | '.join(str(c[o]) for o in outcomes)} |" for name, c in sorted(groups.items())]
    left = sorted((r for r in rows if r["outcome"] != "found"), key=lambda r: (r["file"], r["line"], r["kind"]))
    lines += [
        "",
        "| place | error put in | outcome | moved by | of the allowance | compared |",
        "|---|---|---|---:|---:|---|",
    ]
    for row in left:
        change = f"`{row['before']}` -> `{row['after']}`".replace("|", "\\|")
        place = f"{row['file']}:{row['line']} {row['function']}"
        how_far = f"{row['moved']:.1e} | {row['of_allowance']:.2f} | {row['compared']}" if row.get("moved") else "| |"
        outcome = row["outcome"] + (f", {row['left_out']} slow checks left out" if row.get("left_out") else "")
        lines.append(f"| {place} | {row['kind']}: {change} | {outcome} | {how_far} |")
    return "\n".join(lines) + "\n"


def run(
    words: list[str],
    *,
    seed: int = 1,
    most: int = 0,
    seconds: float = 600.0,
    tests: list[str] | None = None,
    progress: Path | None = None,
    known: list[dict[str, Any]] | None = None,
) -> tuple[list[dict[str, Any]], int, float]:
    """Return a row for each mutant tried, how many there are, and the processor time; raise if a check fails.

    ``progress`` is a folder that gets what is known so far after each hundred. ``known`` are the rows of an earlier
    run: what it found is not tried again.
    """
    session = Session(words=words, seed=seed, most=most, seconds=seconds, progress=progress, known=known or [])
    files = tests or sorted(
        str(path)
        for path in (ROOT / "tests").rglob("test_*.py")
        if re.search(r"\boutside(\.each)?\(", path.read_text(encoding="utf-8"))
    )
    options = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", f"--rootdir={ROOT}"]
    status = pytest.main([*options, *files], plugins=[session])
    if status != pytest.ExitCode.OK:
        raise RuntimeError("the checks must pass before formulae are broken")
    return session.rows, session.total, session.spent


def write(rows: list[dict[str, Any]], total: int, spent: float, folder: Path) -> None:
    """Write the outcome as JSON and as Markdown."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "mutants.json").write_text(json.dumps(rows, indent=1), encoding="utf-8")
    (folder / "mutants.md").write_text(summary(rows, total, spent), encoding="utf-8")
