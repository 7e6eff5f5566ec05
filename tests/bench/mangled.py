"""How is a good file spoiled? Bytes, numbers, lines, the tree of a JSON file; by chance, from one seed.

What is put in the place of numbers are the usual suspects: NaN, infinities, 1e308, negative sizes, nothing,
figures of other scripts, numbers longer than any machine's.
"""

# ruff: noqa: E501 - good and bad inputs stand as they come
from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Sequence
from typing import Any

NUMBERS = (
    "NaN", "nan", "Infinity", "-inf", "inf", "1e308", "-1e308", "1e309", "1e-320", "0", "-0", "-1", "1",
    "0.5",
    "", " ", "9" * 400, "99999999999999999999", "2147483648", "-2147483649", "1e", "0x10", "1_000", "1,5",
    "٣", "½", "²", "1.2.3", "--1", "+", "true", "null", '"5"', "1e400", "4e-324", "1e16", "3.0000000000000004",
)  # fmt: skip
WORDS = (
    "", "\x00", "﻿", "‮", "../../etc/passwd", "/etc/passwd", "..\\..", "a" * 5000, "=1+1", "{{7*7}}",
    "<script>alert(1)</script>", "%s%n", "'; DROP TABLE jobs; --", "Ünïcödé 🎃", "í\xa0\x80",
    "\r\nSet-Cookie: a=b", "con", "nul", "constructor", "__proto__", "\x1b[2J",
)  # fmt: skip
_NUMBER = re.compile(rb"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?")
_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 0.5, 1e308, -1e308, float("nan"), float("inf"), float("-inf"), 10**30,
    -(10**30),
    1e-320, "", "x", [], {}, [[]], [None], {"": None}, *WORDS,
)  # fmt: skip


def mangled(good: Sequence[bytes], chance: random.Random) -> bytes:
    """Return one of the good files, spoiled in one to five places."""
    content = chance.choice(good)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 5))):
        content = chance.choice(_WAYS)(content, good, chance)[:400_000]
    return content


def _place(content: bytes, chance: random.Random) -> tuple[int, int]:
    start = chance.randrange(len(content) + 1)
    return start, min(len(content), start + chance.choice((1, 1, 2, 4, 16, 64, 500)))


def _bytes(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    start, end = _place(content, chance)
    new = chance.choice(
        (
            b"",
            chance.randbytes(end - start),
            bytes(end - start),
            b"\xff" * (end - start),
            content[start:end] * 2,
        )
    )
    return content[:start] + new + content[end:]


def _bit(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    if not content:
        return chance.randbytes(4)
    spoiled = bytearray(content)
    for _ in range(chance.choice((1, 1, 4, 16))):
        spoiled[chance.randrange(len(spoiled))] ^= 1 << chance.randrange(8)
    return bytes(spoiled)


def _cut_short(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    start, _ = _place(content, chance)
    return content[:start] if chance.random() < 0.7 else content[start:]


def _spliced(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    other = chance.choice(good)
    return content[: _place(content, chance)[0]] + other[_place(other, chance)[0] :]


def _number(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    found = list(_NUMBER.finditer(content))
    if not found:
        return _bytes(content, good, chance)
    one = chance.choice(found)
    return content[: one.start()] + chance.choice(NUMBERS).encode() + content[one.end() :]


def _word(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    start, end = _place(content, chance)
    return content[:start] + chance.choice(WORDS).encode("utf-8", "surrogatepass") + content[end:]


def _lines(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    lines = content.split(b"\n")
    number = chance.randrange(len(lines))
    match chance.randrange(5):
        case 0:
            lines.insert(number, lines[number])
        case 1:
            del lines[number]
        case 2:
            lines[number : number + 1] = [lines[number]] * chance.choice((2, 30, 1000))
        case 3:
            chance.shuffle(lines)
        case _:
            other = chance.randrange(len(lines))
            lines[number], lines[other] = lines[other], lines[number]
    return b"\n".join(lines)


def _tree(content: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    """Change one node of a JSON file: another value, no key, one twice, one deeper."""
    try:
        root = json.loads(content)
    except (ValueError, RecursionError):
        return _number(content, good, chance)
    nodes: list[tuple[Any, Any]] = []
    _gather(root, nodes)
    if not nodes:
        return json.dumps(chance.choice(_VALUES)).encode()
    parent, key = chance.choice(nodes)
    match chance.randrange(6):
        case 0:
            del parent[key]
        case 1:
            parent[key] = [parent[key]] * chance.choice((1, 2, 50))
        case 2:
            parent[key] = {str(key): parent[key]}
        case 3 if isinstance(parent, dict):
            parent[chance.choice(WORDS)] = parent.pop(key)
        case _:
            parent[key] = chance.choice(_VALUES)
    return json.dumps(root).encode("utf-8", "surrogatepass")


def _gather(node: Any, out: list[tuple[Any, Any]]) -> None:
    if isinstance(node, dict | list):
        for key, inner in node.items() if isinstance(node, dict) else enumerate(node):
            out.append((node, key))
            _gather(inner, out)


_WAYS: tuple[Callable[[bytes, Sequence[bytes], random.Random], bytes], ...] = (
    _bytes, _bit, _cut_short, _spliced, _number, _number, _number, _word, _lines, _tree, _tree,
)  # fmt: skip
