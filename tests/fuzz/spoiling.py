"""Ways to spoil bytes and texts: turned bits, extreme numbers, pieces moved or cut, hostile values for keys."""

from __future__ import annotations

import random
import re
import struct

_EXTREMES = (0, 1, -1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 2**31 - 1, -(2**31), 2**32 - 1, 2**63 - 1, -(2**63))

#: What a person, an export or an attacker may put in a value's place.
HOSTILE = (
    "",
    "~",
    "-110 kg",
    "0 kg",
    "-42 V",
    "1e160 V",
    "1e-300 V",
    "36 9**9**9",
    "9**9**9 V",
    "36 " + "(" * 50 + "V" + ")" * 50,
    "36 " + "m*" * 500 + "V",
    "'36" + " " * 5000 + "V'",
    "'" + "1" * 5000 + "x'",
    "'{voltage} V'",
    "'{unit}'",
    "'%s%n'",
    "'<b>x</b>'",
    "'$(id)'",
    "'../../etc/passwd'",
    "'/dev/zero'",
    "!!binary aGFsbG8=",
    "!!set {x, y}",
    "!!omap [a: 1]",
    "!!timestamp x",
    "!!python/object:os.system x",
    "&a x",
    "*a",
    "{<<: {a: 1}}",
    ".inf",
    "-.inf",
    ".nan",
    "1e400",
    "9" * 400,
    "1" + ":59" * 2000,
    "0x" + "f" * 90,
    "2026-02-30",
    "12:30:45",
    "[" * 40 + "]" * 40,
    "{a: " * 40 + "}" * 40,
    "[]",
    "{}",
    "[1, 2]",
    "{a: 1}",
    "true",
    "0",
    "-1",
    "1.5",
    "5 percent",
    "500 percent",
    "-300 degC",
    "21 degC",
    "36 V",
    "0.05 % + 1 mV",
    "'" + "w" * 9000 + "'",
    "'\\u202e\\u0007'",
    "null",
    "U",
)


def bytes_of(content: bytes, rng: random.Random) -> bytes:
    """Return the content with one to five changes of its bytes."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 5)):
        if not data:
            break
        # Heads are small and decide much.
        end = len(data) if rng.random() < 0.6 else min(len(data), 512)
        place = rng.randrange(end)
        way = rng.randrange(9)
        if way == 0:
            data[place] ^= 1 << rng.randrange(8)
        elif way == 1:
            data[place] = rng.randrange(256)
        elif way == 2:
            size = rng.choice("bhiq")
            number = struct.pack(rng.choice("<>") + "q", rng.choice(_EXTREMES))[: struct.calcsize(size)]
            data[place : place + len(number)] = number
        elif way == 3:
            del data[place : place + rng.randint(1, 64)]
        elif way == 4:
            other = rng.randrange(len(data))
            data[place:place] = data[other : other + rng.randint(1, 200)]
        elif way == 5:
            data[place:place] = rng.randbytes(rng.randint(1, 16))
        elif way == 6:
            del data[max(place, 8) :]
        elif way == 7:
            piece = bytes(data[place : place + rng.randint(1, 8)])
            data[place:place] = piece * rng.choice((2, 100, 5000))
        else:
            data[place : place + 8] = struct.pack("<d", rng.choice((1e300, -1e300, 1e-300, float("nan"), 9.9e37, 0.0)))
    return bytes(data)


def table_of(content: str, rng: random.Random) -> str:
    """Return a text table with cells, a column or a header spoiled."""
    lines = content.split("\n")
    heads = next((k for k, line in enumerate(lines) if line and not line.startswith("#")), 0)
    body = [k for k in range(heads + 1, len(lines)) if lines[k].strip() and not lines[k].startswith("#")]
    width = lines[heads].count(",") + 1
    for _ in range(rng.randint(1, 3)):
        column, way = rng.randrange(width), rng.randrange(8)
        if not body:
            break
        chosen = [rng.choice(body)] if way < 4 else body
        factor = rng.choice(("0", "10", "0.1", "-1", "1e3", "1e-3", "1e100", "1e300", "1e-300", "1e-200"))
        constant = rng.choice(("0", "1", "-1", "1e300", "1e-300", "9.9E37", "OL", "", "nan", "1e7", "5"))
        for line in chosen:
            cells = lines[line].split(",")
            if column >= len(cells):
                continue
            if way in (0, 1, 4, 5):
                try:
                    cells[column] = repr(float(cells[column]) * float(factor))
                except ValueError:
                    cells[column] = constant
            else:
                cells[column] = constant
            lines[line] = ",".join(cells)
    if rng.random() < 0.15:
        lines[heads] = lines[heads].replace("[", rng.choice(("[m", "[k", "[9**9**9 ", "(", "[")), 1)
    if rng.random() < 0.15:
        del lines[rng.choice((heads, len(lines) // 2)) :: rng.choice((2, 3, 10**6))]
    return "\n".join(lines)


_VALUE = re.compile(r"(?<=[:\-] )[^\n{}\[\],]+|(?<=, )[^\n{}\[\],:]+")


def yaml_of(content: str, rng: random.Random) -> str:
    """Return a settings file with a value, key or line spoiled."""
    for _ in range(rng.randint(1, 3)):
        way = rng.randrange(5)
        places = list(_VALUE.finditer(content))
        if way < 3 and places:
            found = rng.choice(places)
            content = content[: found.start()] + rng.choice(HOSTILE) + content[found.end() :]
        elif way == 3:
            lines = content.split("\n")
            k = rng.randrange(len(lines))
            lines[k : k + 1] = rng.choice(([], [lines[k]] * 2, [lines[k] + rng.choice(HOSTILE)], ["  " + lines[k]]))
            content = "\n".join(lines)
        else:
            content = bytes_of(content.encode("utf-8", "surrogateescape"), rng).decode("utf-8", "surrogateescape")
    return content
