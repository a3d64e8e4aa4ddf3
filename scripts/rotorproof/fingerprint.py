"""What code a rule depends on, as one hash: the rule runs again when a formula it reaches is edited.

The workflow engine watches a rule's script but not the modules that script imports, so each rule carries this
fingerprint among its parameters.
"""

from __future__ import annotations

import ast
import hashlib
import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent
#: Packages whose modules are found by being there: to import one is to depend on all.
_DISCOVERED = (PACKAGE / "logs", PACKAGE / "procedures", PACKAGE / "derivations")


def fingerprint(
    script: Path, extra: Iterable[Path] = (), *, formulas: bool = True, hashes: dict[Path, bytes] | None = None
) -> str:
    """Return a hash over ``script``, every module of ours it imports, directly or not, and the ``extra`` files.

    Without ``formulas`` the procedures and derivations found by being there do not count: for a script that asks
    them for facts only, which its rule then carries among its parameters. ``hashes`` of files are used and added to:
    rules share most of their files.
    """
    known = {} if hashes is None else hashes
    pending = [script.resolve()]
    seen: set[Path] = set()
    while pending:
        path = pending.pop()
        if path not in seen:
            seen.add(path)
            pending.extend(_imports(path))
            if path.name == "__init__.py" and path.parent in (_DISCOVERED if formulas else _DISCOVERED[:1]):
                pending.extend(sorted(path.parent.glob("*.py")))
    digest = hashlib.sha256()
    for path in sorted(seen | {p.resolve() for p in extra}):
        digest.update(path.name.encode())
        if path not in known:
            known[path] = hashlib.sha256(path.read_bytes()).digest()
        digest.update(known[path])
    return digest.hexdigest()[:16]


@cache
def _imports(path: Path) -> tuple[Path, ...]:
    found: list[Path] = []
    for node in _import_statements(path.read_bytes()):
        if isinstance(node, ast.ImportFrom):
            base = _absolute(path, node)
            if base is None:
                continue
            found += _files(base)
            for alias in node.names:
                found += _files(f"{base}.{alias.name}")
        elif isinstance(node, ast.Import):
            for alias in node.names:
                found += _files(alias.name)
    return tuple(found)


#: A line that holds the word, and is no comment.
_HOLDS_IMPORT = re.compile(rb"^(?![ \t]*#).*\bimport\b", re.MULTILINE)
#: An import statement at the beginning of a line, up to its end.
_IMPORT = re.compile(rb"[ \t]*((?:from[ \t]+[.\w]+[ \t]+)?import[ \t]*(?:\([^()]*\)|[^()\n\\;]+$))", re.MULTILINE)


def _import_statements(source: bytes) -> Iterator[ast.stmt]:
    """Yield every import statement of a source, wherever it stands.

    To parse whole files took a quarter of the time of a run with nothing to do. So the lines that hold the word are
    parsed alone where each is a statement by itself; a file with any other such line is parsed as a whole.
    """
    source = source.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    alone: list[ast.stmt] = []
    for line in _HOLDS_IMPORT.finditer(source):
        statement = _IMPORT.match(source, line.start())
        if statement is None or source.endswith(b"\\\n", 0, line.start()):
            yield from _statements(ast.parse(source))
            return
        try:
            alone += ast.parse(statement[1]).body
        except SyntaxError:
            yield from _statements(ast.parse(source))
            return
    yield from alone


def _statements(node: ast.AST) -> Iterator[ast.stmt]:
    """Yield every statement inside ``node``; an import is one, and expressions hold none (a tenth of the walk)."""
    for name in ("body", "orelse", "finalbody", "handlers", "cases"):
        for inner in getattr(node, name, ()):
            if isinstance(inner, ast.stmt):
                yield inner
            yield from _statements(inner)


def _absolute(path: Path, node: ast.ImportFrom) -> str | None:
    if node.level == 0:
        return node.module
    if not path.is_relative_to(PACKAGE):
        return None
    package = ["rotorproof", *path.relative_to(PACKAGE).parent.parts]
    package = package[: len(package) - node.level + 1]
    return ".".join([*package, *([node.module] if node.module else [])])


@cache
def _modules() -> dict[str, Path]:
    """Return the file of each package and module of ours by its full name."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = ["rotorproof", *path.relative_to(PACKAGE).with_suffix("").parts]
        package = parts[-1] == "__init__"
        # A package comes before a module of its name, as it does for Python.
        if package or ".".join(parts) not in found:
            found[".".join(parts[:-1] if package else parts)] = path
    return found


@cache
def _files(module: str) -> tuple[Path, ...]:
    """Return the files of ours that an import of this name loads: those of its packages, and its own."""
    parts = module.split(".")
    if parts[0] != "rotorproof":
        return ()
    names = (".".join(parts[:length]) for length in range(1, len(parts) + 1))
    return tuple(path for name in names if (path := _modules().get(name)))
