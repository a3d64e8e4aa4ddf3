"""The published JSON Schemas follow from the models, and the models refuse what the schemas refuse."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from rotorproof.settings.schemas import MODELS, schema_files

FOLDER = Path(__file__).parents[2] / "config" / "schemas"


@pytest.mark.parametrize("name", sorted(MODELS))
def test_schema_file_is_what_the_model_says(name: str) -> None:
    file = f"{name}.schema.json"
    assert (FOLDER / file).read_bytes() == schema_files()[file], "run `make schemas` and commit the result"


@pytest.mark.parametrize("name", sorted(MODELS))
def test_schema_is_valid_json_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads((FOLDER / f"{name}.schema.json").read_bytes()))


def test_schema_refuses_an_unknown_key() -> None:
    schema = json.loads((FOLDER / "unit.schema.json").read_bytes())
    good = {"unit": "A-1", "kind": "motor"}
    jsonschema.validate(good, schema)
    with pytest.raises(jsonschema.ValidationError, match="colour"):
        jsonschema.validate({**good, "colour": "red"}, schema)
