"""One measured quantity, and one criterion, as the templates print them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from ..decision.budgets import HALVED
from ..decision.models import (
    BudgetEntry,
    CriterionEntry,
    MainEntry,
    QuantityEntry,
    Results,
    TakenEntry,
)
from ..decision.reasons import titled
from ..procedures.base import Quantity
from ..quantities import quantities
from ..signs import unit_text
from . import gauges, numbers, words
from .symbols import symbol_html, unbroken, with_unit
from .wording import basis_mark, maker

#: Sources of less than this share of the variance are summed up in one line; below the second, they are rounding.
_SMALL_SHARE, _NO_SHARE = 0.01, 1e-6


@dataclass(frozen=True)
class BudgetRow:
    """One source of an uncertainty budget in words; numbers are in the unit of the quantity."""

    source: str
    distribution: str
    standard_uncertainty: str
    share: str
    if_halved: str


@dataclass(frozen=True)
class Other:
    """The same quantity from another test, and whether the two agree."""

    procedure: str
    label: str
    value: Markup
    agreement: str
    disagrees: bool


@dataclass(frozen=True)
class QuantityView:
    """A quantity ready to print."""

    name: str
    title: str
    symbol: Markup
    unit: str
    value: Markup
    interval: Markup
    standard_uncertainty: Markup
    coverage_factor: str
    degrees_of_freedom: str
    reference: str
    procedure: str
    label: str
    origin: str
    beyond: str
    predicted_from: str
    notes: Sequence[str]
    budget: Sequence[BudgetRow]
    exact: bool
    preferred: bool = True
    others: Sequence[Other] = ()


def quantity_view(name: str, entry: QuantityEntry, *, preferred: bool = True) -> QuantityView:
    """Return an entry of ``quantities`` (or of its ``alternatives``) in ``results.json`` ready to print."""
    quantity = quantities()[name]
    unit, half = entry.unit, entry.expanded_uncertainty
    return QuantityView(
        name=name,
        title=quantity.title,
        symbol=symbol_html(quantity.symbol),
        unit=unit_text(unit),
        value=_value(entry, quantity),
        interval=_interval(entry, quantity),
        standard_uncertainty=with_unit(_digits(entry.standard_uncertainty), unit),
        coverage_factor=f"{entry.coverage_factor:.2f}",
        degrees_of_freedom=numbers.degrees_of_freedom(entry.degrees_of_freedom),
        reference=_reference(quantity),
        procedure=maker(entry.procedure),
        label=_origin(entry.procedure, entry.label, entry.part),
        origin=entry.origin.kind if entry.origin else "–",
        beyond=(entry.origin.by if entry.origin else None) or "",
        predicted_from=(entry.origin.from_ if entry.origin else None) or "",
        notes=[note for note in entry.notes if HALVED not in note],
        budget=_budget(entry.budget, entry.standard_uncertainty),
        exact=half == 0,
        preferred=preferred,
        others=[
            Other(
                maker(other.procedure),
                _origin(other.procedure, other.label, other.part),
                _value(other, quantity),
                words.agreement(other.normalised_error),
                other.normalised_error is not None and other.normalised_error > 1,
            )
            for other in (entry.alternatives or () if isinstance(entry, MainEntry) else ())
        ],
    )


@dataclass(frozen=True)
class TakenView:
    """A value that a drive took from one of its parts, ready to print."""

    title: str
    symbol: Markup
    value: Markup
    interval: Markup
    origin: str


def taken_views(results: Results) -> list[TakenView]:
    """Return what a drive took from its parts, by part; its own measurements are not among it."""
    return [
        TakenView(
            quantities()[name].title,
            symbol_html(quantities()[name].symbol),
            _value(entry, quantities()[name]),
            _interval(entry, quantities()[name]),
            _origin(entry.procedure, None, part.unit),
        )
        for part in results.parts or ()
        for name, entry in part.taken.items()
    ]


@dataclass(frozen=True)
class AppliedView:
    """A predicted quantity on each of several packs and vehicles, ready to print; empty where it is not predicted."""

    title: str
    symbol: Markup
    values: Sequence[Markup]
    intervals: Sequence[Markup]


def application_views(results: Results) -> tuple[list[str], list[AppliedView]]:
    """Return the packs and vehicles that a unit is meant for, and what is predicted on each, side by side."""
    each = results.applications or ()
    rows = []
    for name, quantity in quantities().items():
        entries = [one.quantities.get(name) for one in each]
        if any(entries):
            values = [Markup("–") if entry is None else _value(entry, quantity) for entry in entries]
            intervals = [Markup("") if entry is None else _interval(entry, quantity) for entry in entries]
            rows.append(AppliedView(quantity.title, symbol_html(quantity.symbol), values, intervals))
    return [one.for_.words for one in each], rows


def _origin(procedure: str, label: str | None, part: str | None) -> str:
    """Return which test of which unit gave a value."""
    title = maker(procedure)
    test = title if label in (None, procedure) else f"{title}: {label}"
    return f"{test} of {part}" if part else test


@dataclass(frozen=True)
class CriterionView:
    """A criterion ready to print; its title names the test that it is to be judged by, where it names one."""

    title: str
    symbol: Markup
    limits: Markup
    value: Markup | None
    rule: str
    decision: str
    probability: str
    gauge: Markup
    mark: Markup
    statement: str
    risks: str
    origin: str
    origin_words: str
    origin_mark: str = ""


def marked_origins(views: Sequence[CriterionView]) -> list[CriterionView]:
    """Return criteria with a small letter on those whose origin needs words, the same letter for the same words."""
    letters = iter("ᵃᵇᶜᵈᵉᶠᵍʰⁱʲᵏˡᵐⁿᵒᵖʳˢᵗᵘᵛʷˣʸᶻ")
    of_words: dict[tuple[str, str], str] = {}
    for view in views:
        if view.origin_words and (key := (view.origin, view.origin_words)) not in of_words:
            of_words[key] = next(letters, "*")
    return [replace(view, origin_mark=of_words.get((view.origin, view.origin_words), "")) for view in views]


def origin_notes(views: Sequence[CriterionView]) -> list[tuple[str, str]]:
    """Return each small letter of ``marked_origins`` with what it stands for, once."""
    return list(
        dict.fromkeys((v.origin_mark, f"{v.origin.capitalize()} {v.origin_words}.") for v in views if v.origin_mark)
    )


def rule_notes(views: Sequence[CriterionView]) -> list[tuple[str, str]]:
    """Return each rule with its statement, once: what holds beyond it for some criteria follows in the same line."""
    found: dict[tuple[str, str], list[str]] = {}
    for rule, statement in sorted(dict.fromkeys((v.rule, v.statement) for v in views), key=lambda one: len(one[1])):
        plain = next((one for one in found if one[0] == rule and statement.startswith(one[1])), None)
        if plain:
            found[plain].append(statement.removeprefix(plain[1]).strip())
        else:
            found[rule, statement] = []
    return [(rule, " ".join([statement, *more])) for (rule, statement), more in found.items()]


def criterion_view(criterion: CriterionEntry, results: Results) -> CriterionView:
    """Return an entry of ``criteria`` in ``results.json`` ready to print."""
    quantity = quantities()[criterion.quantity]
    entry = results.judged(criterion)
    conformity = criterion.probability_of_conformity
    exact = entry is not None and entry.expanded_uncertainty == 0
    origin = criterion.origin
    title = f"{titled(criterion)} by {maker(criterion.from_).lower()}" if criterion.from_ else titled(criterion)
    return CriterionView(
        title=title,
        symbol=symbol_html(quantity.symbol),
        limits=unbroken(words.limits_text(criterion)),
        value=None if entry is None else _value(entry, quantity),
        rule=criterion.rule,
        decision=criterion.decision,
        probability="" if conformity is None or exact else numbers.probability(conformity),
        gauge=gauges.criterion_gauge(criterion, entry),
        mark=gauges.mark(criterion.decision),
        statement=criterion.statement,
        risks=words.global_risks(criterion),
        origin=origin.kind if origin else "–",
        origin_words=words.origin(origin),
    )


@dataclass(frozen=True)
class Definition:
    """What a quantity is and who says so."""

    title: str
    symbol: Markup
    unit: str
    text: str
    source: str
    mark: str


def definition(quantity: Quantity) -> Definition:
    """Return the definition of a quantity ready to print."""
    return Definition(
        quantity.title,
        symbol_html(quantity.symbol),
        unit_text(quantity.unit) or "1",
        _defined(quantity),
        quantity.source,
        basis_mark(quantity.basis),
    )


def value_html(name: str, entry: QuantityEntry) -> Markup:
    """Return the value of a quantity with its uncertainty and unit, or the words it stands for."""
    return _value(entry, quantities()[name])


def written(text: str) -> str:
    """Return a value as its author wrote it, in print's signs: "0.050 +/- 0.001 kg m^2" as 0.050 ± 0.001 kg·m²."""
    words_ = text.replace("+/-", "±").split()
    at = next((i for i, word in enumerate(words_) if not _is_number(word) and word != "±"), len(words_))
    unit = unit_text(" ".join(words_[at:]))
    return "\u00a0".join([" ".join(words_[:at]), unit] if unit and at else [" ".join(words_[:at]) or text])


def _defined(quantity: Quantity) -> str:
    stated = [(key, written(value)) for key, value in quantity.reference]
    unsaid = [
        f"{key.replace('_', ' ')} {value}"
        for key, value in stated
        if value.replace("\u00a0", " ") not in quantity.definition
    ]
    return "; stated at ".join([quantity.definition, *([", ".join(unsaid)] if unsaid else [])])


def _reference(quantity: Quantity) -> str:
    return ", ".join(
        written(value) if key == "temperature" else f"{key.replace('_', ' ')} {written(value)}"
        for key, value in quantity.reference
    )


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def code_words(quantity: Quantity, value: float) -> Markup:
    """Return what stands for a number that is a code; "" for any other number."""
    if quantity.tabled:
        return Markup("see its table")
    return Markup(next((meaning for number, meaning in quantity.meanings if round(value) == number), ""))


def _value(entry: QuantityEntry | TakenEntry, quantity: Quantity) -> Markup:
    if coded := code_words(quantity, entry.value):
        return coded
    low, high = entry.interval
    return with_unit(numbers.stated(entry.value, low, high, entry.expanded_uncertainty), entry.unit)


def _interval(entry: QuantityEntry | TakenEntry, quantity: Quantity) -> Markup:
    if quantity.tabled or quantity.meanings:
        return Markup("–")
    if entry.expanded_uncertainty == 0:
        counted = entry.unit == "1" and entry.value.is_integer()
        words = "exact, counted" if counted else "no uncertainty stated"
        return Markup('<span class="muted">{}</span>').format(words)
    low, high = numbers.interval(*entry.interval, entry.expanded_uncertainty)
    return Markup("{} to {}").format(Markup('<span class="n">{}</span>').format(low), with_unit(high, entry.unit))


def _digits(value: float) -> str:
    return numbers.plain(value, 2)


def _distribution(line: BudgetEntry) -> str:
    """Return the distribution of a source, with its degrees of freedom where they are finite."""
    freedom = line.degrees_of_freedom
    return line.distribution if freedom is None else f"{line.distribution}, {numbers.degrees_of_freedom(freedom)}"


def _budget(lines: Sequence[BudgetEntry], whole: float) -> list[BudgetRow]:
    large = [line for line in lines if line.share >= _SMALL_SHARE]
    small = [line for line in lines if _NO_SHARE <= line.share < _SMALL_SHARE]
    if len(small) == 1:
        large, small = [*large, *small], []

    def row(source: str, distribution: str, u: float, share: float, halved: float | None = None) -> BudgetRow:
        better = "" if halved is None else _digits(halved)
        return BudgetRow(source, distribution, numbers.beside(u, whole), numbers.percent(share), better)

    rows = [
        row(
            line.source,
            _distribution(line),
            line.standard_uncertainty,
            line.share,
            line.expanded_uncertainty_if_halved,
        )
        for line in large
    ]
    if small:
        # Exactly rounded: the built-in sum rounds otherwise in Python 3.11 than from 3.12 on, which a digit may show.
        u = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in small))
        rows.append(row(f"others ({len(small)})", "", u, math.fsum(line.share for line in small)))
    return rows
