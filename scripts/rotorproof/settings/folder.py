"""The ``config`` folder: acceptance sets, layouts and instruments, each read and checked when it is asked for."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..procedures import procedures
from ..procedures.base import Quantity
from ..quantities import applied_quantities, quantities
from ..units import parse
from .acceptance import AcceptanceSet, Criterion, ProcessFile, ProcessSpread, difference
from .documents import Document, read_document
from .layout import BUILTIN, Layout
from .unit import InstrumentClass
from .validation import Complaints, Model, validated

#: A number without a unit.
_PLAIN = re.compile(r"[-+.0-9eE]+")


class SettingsFolder:
    """The ``config`` folder; each file is read once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._cache: dict[tuple[str, str], tuple[Document, Any]] = {}
        self._acceptance: dict[str, AcceptanceSet] = {}

    def names(self, kind: str) -> list[str]:
        """Return the names of the files of ``kind`` (``acceptance``, ``instruments``, ``layouts``, ``processes``)."""
        return sorted(path.stem for path in (self.folder / kind).glob("*.yaml"))

    def has(self, kind: str, name: str) -> bool:
        """Tell whether there is a file of ``kind`` with this name."""
        return (self.folder / kind / f"{name}.yaml").exists()

    def acceptance(self, name: str) -> AcceptanceSet:
        """Return an acceptance set, its quantities and limits checked. Raises ``InputError``."""
        if name not in self._acceptance:
            self._acceptance[name] = self._with_populations(
                *self._get("acceptance", name, AcceptanceSet, _check_criteria)
            )
        return self._acceptance[name]

    def process(self, name: str) -> ProcessFile:
        """Return how the units of a model scattered. Raises ``InputError``."""
        return self._get("processes", name, ProcessFile, _check_ranges)[1]

    def _with_populations(self, document: Document, found: AcceptanceSet) -> AcceptanceSet:
        """Return an acceptance set with the spread of each population that a process names, beside its name."""
        complaints = Complaints(document)
        criteria = list(found.criteria)
        for index, criterion in enumerate(criteria):
            name = criterion.process.population if criterion.process else None
            if criterion.process is None or name is None:
                continue
            why, spread = "", None
            if criterion.process.mean is not None:
                why = "a process is either written out or that of a population; delete one"
            elif not self.has("processes", name):
                there = ", ".join(self.names("processes")) or "none; 'make population' writes them"
                why = f"there is no population {name!r}; there are: {there}"
            else:
                spread = self.process(name).quantities.get(criterion.quantity)
            if spread is None:
                why = why or f"the population {name!r} says nothing of {criterion.quantity}; leave 'process' out"
                complaints.add(why, "criteria", index, "process", "population")
                continue
            _check_process(spread, index, quantities()[criterion.quantity].kind, complaints)
            named = spread.model_copy(update={"population": name})
            criteria[index] = criterion.model_copy(update={"process": named})
        complaints.stop()
        return found.model_copy(update={"criteria": criteria})

    def layout(self, name: str) -> Layout:
        """Return a layout. Raises ``InputError``."""
        if name in BUILTIN and not self.has("layouts", name):
            return BUILTIN[name]
        return self._get("layouts", name, Layout)[1]

    def instrument(self, name: str) -> dict[str, Any]:
        """Return a class of instruments as written, once it is checked. Raises ``InputError``."""
        return dict(self._get("instruments", name, InstrumentClass)[0].data)

    def _get(
        self, kind: str, name: str, model: type[Model], check: Callable[[Document, Model], None] | None = None
    ) -> tuple[Document, Model]:
        if (kind, name) not in self._cache:
            document = read_document(self.folder / kind / f"{name}.yaml", f"config/{kind}/{name}.yaml")
            found = validated(document, model)
            if check:
                check(document, found)
            self._cache[kind, name] = document, found
        return self._cache[kind, name]


def _check_ranges(document: Document, found: ProcessFile) -> None:
    """Raise ``InputError`` for ranges of what no test gives, and for those that are none."""
    complaints = Complaints(document)
    for name, one in found.ranges.items():
        known = quantities().get(name)
        if known is None:
            complaints.add(f"no procedure gives {name!r}; run 'make population' again", "ranges", name)
            continue
        try:
            low, high = (parse(text, known.kind).value for text in (one.low, one.high))
            if not 0 < low < high:
                raise ValueError("a range lies above 0, its 'low' below its 'high'")
        except ValueError as error:
            complaints.add(str(error), "ranges", name)
    complaints.stop()


def _check_criteria(document: Document, found: AcceptanceSet) -> None:
    """Raise ``InputError`` for quantities that nothing gives and limits that are none."""
    complaints = Complaints(document)
    for index, criterion in enumerate(found.criteria):
        known = quantities().get(criterion.quantity)
        if known is not None:
            _check_limits(criterion, index, known, complaints)
            _check_from(criterion, index, complaints)
            if criterion.for_ is not None and criterion.quantity not in applied_quantities():
                words = f"{criterion.quantity} is the same on every pack and vehicle; leave 'for' out"
                complaints.add(words, "criteria", index, "for")
            continue
        near = difflib.get_close_matches(criterion.quantity, quantities(), n=3)
        hint = f"; near it: {', '.join(near)}" if near else ""
        complaints.add(f"no procedure gives {criterion.quantity!r}{hint}", "criteria", index, "quantity")
    complaints.stop()


def _check_limits(criterion: Criterion, index: int, known: Quantity, complaints: Complaints) -> None:
    limits = {}
    for side in ("min", "max"):
        value = getattr(criterion, side)
        if value is not None:
            try:
                limits[side] = _limit(str(value), known)
            except ValueError as error:
                complaints.add(str(error), "criteria", index, side)
    if criterion.process is not None and criterion.process.population is None:
        _check_process(criterion.process, index, known.kind, complaints)
    if len(limits) == 2 and limits["min"] > limits["max"]:
        words = f"'min' lies above 'max' for {criterion.quantity}"
        complaints.add(words, "criteria", index, "quantity", key="min")


def _check_from(criterion: Criterion, index: int, complaints: Complaints) -> None:
    givers = [procedure.name for procedure in procedures().values() if criterion.quantity in procedure.gives]
    if criterion.from_ is not None and criterion.from_ not in givers:
        there = ", ".join(givers) or "no procedure, since it is computed from other quantities"
        words = f"{criterion.from_!r} does not give {criterion.quantity}; it is given by: {there}"
        complaints.add(words, "criteria", index, "from")


def _limit(text: str, quantity: Quantity) -> float:
    """Return a written limit in SI. Raises ``ValueError`` as ``parse`` does, and for a share without its unit."""
    limit = parse(text, quantity.kind)
    if quantity.unit == "percent" and _PLAIN.fullmatch(limit.text):
        raise ValueError(f"a unit is missing; write '{limit.text} percent' if that is meant")
    return limit.value


def _check_process(process: ProcessSpread, index: int, kind: str, complaints: Complaints) -> None:
    where = ("criteria", index, "process")
    try:
        parse(process.mean or "", kind)
    except ValueError as error:
        complaints.add(str(error), *where, "mean")
    try:
        if difference(process.standard_deviation or "", kind) <= 0:
            raise ValueError("the spread of a process is positive")
    except ValueError as error:
        complaints.add(str(error), *where, "standard_deviation")
