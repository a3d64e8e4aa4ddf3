"""The quick look for imports sees what Python's own parser sees, whatever a file looks like."""

from __future__ import annotations

import ast

import pytest

from rotorproof.fingerprint import _import_statements

from .conftest import ROOT


def _found(statements: object) -> set[str]:
    return {ast.dump(node) for node in statements if isinstance(node, ast.Import | ast.ImportFrom)}  # type: ignore[attr-defined]


def test_every_import_of_the_program_is_seen() -> None:
    files = sorted((ROOT / "scripts").rglob("*.py"))
    assert len(files) > 200
    for path in files:
        source = path.read_bytes()
        # More than there is, from words in a text, would only have a step run again in vain.
        assert _found(_import_statements(source)) >= _found(ast.walk(ast.parse(source))), path


@pytest.mark.parametrize(
    "source",
    [
        "import a",
        "def f():\n    from .b import (\n        c,  # not (only) this\n        d,\n    )\n",
        "from . import a, \\\n    b\n",
        "from .a \\\n    import b\n",
        "x = 1; import a\nfrom . import b; import c\n",
        "if True: import a\nelse: from b import c\n",
        "try:\n\timport a.b as c\r\nexcept ImportError:\r\n\tfrom\t..d import(e)\r\n",
        "from a import(b)\n",
        '"""To\nimport is to depend: from a import b."""\nfrom c import d\n',
        "text = '''\nfrom a import b\n'''\nimport c\n",
        "from a import *  # all\n",
        "\x0cimport a\n",
        "# of old\rimport a\r",
    ],
)
def test_an_import_is_seen_however_it_is_written(source: str) -> None:
    seen = _found(_import_statements(source.encode()))
    assert seen >= _found(ast.walk(ast.parse(source)))
    assert seen
