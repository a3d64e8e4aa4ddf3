"""Settings files drawn key by key from what their models say of themselves, and tables to be written in any format."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from hypothesis import strategies as st

from rotorproof.procedures import procedures
from tests.fuzz.classes import WORDS

#: What a person may put in the place of a value that is meant to be another kind of thing.
_OUT_OF_PLACE = st.one_of(
    st.sampled_from(
        [None, True, 0, -1, 1.5, 10**40, float("inf"), float("nan"), "", " ", [], {}, [[]], {"a": 1}, "36"]
    ),
    st.sampled_from(WORDS),
    st.text(max_size=6),
)
_NAMES = ("meter", "small", "logger", "plain", "own", "BAD", "GOOD", "all", "x")
_TEXTS = ("Text", "steps.csv", "utf-8", "auto", ";", "U", "V", "0.05 % + 1 mV", "36 V", "5 percent", "results.json")
_EXAMPLE = re.compile(r"e\.g\. '([^']*)'")


class Drawn:
    """Draws documents from a JSON Schema; ``seen`` holds the keys that came up."""

    def __init__(self, schema: Mapping[str, Any], words: Mapping[str, tuple[str, ...]]) -> None:
        self._schema, self._words = schema, words
        self.seen: set[str] = set()
        #: The key that the document in the making is to have.
        self._aim = ""

    @property
    def keys(self) -> set[str]:
        """Return every key that a document may have, at any depth."""
        parts = [self._schema, *self._schema.get("$defs", {}).values()]
        return {key for part in parts for key in part.get("properties", {})}

    def document(self, draw: Any) -> Any:
        """Draw a document: most of it as it should be, a key or two as none should, and any one key among its own."""
        self._aim = draw(st.sampled_from(sorted(self.keys)))
        return self._value(self._schema, draw, "", 0)

    def _leads(self, schema: Mapping[str, Any]) -> bool:
        """Tell whether what is drawn from a part of the schema may hold the key that is aimed at."""
        if "$ref" in schema:
            schema = self._schema["$defs"][schema["$ref"].rpartition("/")[2]]
        inner = [schema.get("items"), _of_any_name(schema), *schema.get("anyOf", ())]
        known = schema.get("properties", {})
        parts = [part for part in [*inner, *known.values()] if part]
        return self._aim in known or any(self._leads(part) for part in parts)

    def _value(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        if depth > 0 and draw(st.integers(0, 29)) == 0:
            return draw(_OUT_OF_PLACE)
        if "$ref" in schema:
            schema = self._schema["$defs"][schema["$ref"].rpartition("/")[2]]
        if "anyOf" in schema:
            leading = [branch for branch in schema["anyOf"] if self._leads(branch)]
            return self._value(draw(st.sampled_from(leading or schema["anyOf"])), draw, key, depth)
        if "const" in schema or "enum" in schema:
            return draw(st.sampled_from(schema.get("enum") or [schema["const"]]))
        kinds = schema.get("type", "string")
        kind = kinds if isinstance(kinds, str) else draw(st.sampled_from(kinds))
        return getattr(self, f"_{kind}")(schema, draw, key, depth)

    def _object(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        known = schema.get("properties", {})
        if known:
            optional = [name for name in known if name not in schema.get("required", ())]
            chosen = draw(st.lists(st.sampled_from(optional), max_size=5, unique=True)) if optional else []
            leading = [name for name in optional if name == self._aim or self._leads(known[name])]
            names = list(dict.fromkeys([*schema.get("required", ()), *chosen, *leading]))
            self.seen.update(names)
            return {name: self._value(known[name], draw, name, depth + 1) for name in names}
        inner = _of_any_name(schema)
        least = int(self._leads(inner))
        names = draw(st.lists(st.sampled_from(self._words.get(key, _NAMES)), min_size=least, max_size=3, unique=True))
        return {name: self._value(inner, draw, key, depth + 1) for name in names}

    def _array(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        least = max(schema.get("minItems", 0), int(self._leads(schema.get("items", {}))))
        size = draw(st.integers(least, 3))
        return [self._value(schema.get("items", {}), draw, key, depth + 1) for _ in range(size)]

    def _string(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        del depth
        if schema.get("format") == "date":
            return draw(st.sampled_from(["2026-05-02", "2026-02-30", "1900-01-01"]))
        if key in self._words:
            return draw(st.sampled_from(self._words[key]))
        examples = _EXAMPLE.findall(schema.get("description", ""))
        return draw(st.sampled_from([*examples * 5, *(_NAMES if "pattern" in schema else _TEXTS)]))

    def _number(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        del key, depth
        ends = [
            schema[name] for name in ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum") if name in schema
        ]
        return draw(st.sampled_from([*ends, 1, 2.5, 0, -3, 1e300]))

    _integer = _number

    def _boolean(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        del schema, key, depth
        return draw(st.booleans())

    def _null(self, schema: Mapping[str, Any], draw: Any, key: str, depth: int) -> Any:
        del schema, draw, key, depth


def _of_any_name(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the schema of the values whose keys the writer chooses; empty where they may be anything."""
    inner = next(iter(schema.get("patternProperties", {}).values()), schema.get("additionalProperties"))
    return inner if isinstance(inner, Mapping) else {}


def words() -> dict[str, tuple[str, ...]]:
    """Return what some keys must be for the rest to be looked at."""
    known = procedures()
    return {
        "unit": ("BAD",),
        "log": ("steps.csv",),
        "procedure": tuple(known),
        "conditions": tuple(sorted({one.name for procedure in known.values() for one in procedure.conditions})),
        "quantity": tuple(sorted({name for procedure in known.values() for name in procedure.gives})),
        "quantities": ("phase_resistance", "torque_constant"),
        "columns": ("time", "voltage_ab", "current_ab", "speed", "gate_ah"),
        "min": ("0.1 ohm", "3 percent", "1 V"),
        "max": ("0.2 ohm", "30 percent", "9 V"),
        "acceptance": ("small",),
        "like": ("own",),
    }
