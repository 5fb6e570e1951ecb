"""What chance does to a value, to bytes, to a text and to a record."""

from __future__ import annotations

import functools
import json
import struct
from typing import Any

import numpy as np

Rng = np.random.Generator

TEXTS = (
    "", " ", "\0", "nan", "inf", "-inf", "1e309", "-1e309", "0", "-1", "1e-300", "99999999999999999999",
    "0x10",
    "<script>alert(1)</script>", "'; drop table scans; --", "../../etc/passwd", "C:\\x", "a" * 5000, "ü€漢字",
    "\\", "1\\2\\3", "true", "None", "\u202e\u0007\x1b[31m", "{{7*7}}", "%s%n", "20310230", "00000000", "1,5",
)  # fmt: skip
NUMBERS = (
    0, -1, 1, 2, 7, 255, 256, 32767, 65535, 2**31 - 1, 2**32, 2**63, 10**30, -(2**31), 0.0, 1e-9, 1e9, 1e300,
    -1e300, float("nan"), float("inf"), float("-inf"), 0.5, 3.999,
)  # fmt: skip


def pick(rng: Rng, things: Any) -> Any:
    """One of some things."""
    return things[int(rng.integers(len(things)))]


def spoilt_value(rng: Rng, old: Any) -> Any:
    """A value of any kind in place of an old one; numbers are often only moved a little."""
    if isinstance(old, int | float) and not isinstance(old, bool) and rng.random() < 0.5:
        return type(old)(old * (1.0 + rng.normal(0.0, 0.3))) if rng.random() < 0.7 else -old
    kind = rng.integers(6)
    if kind == 0:
        return pick(rng, TEXTS)
    if kind <= 2:
        return pick(rng, NUMBERS)
    if kind == 3:
        return pick(rng, (None, True, False, [], {}, [old], [old, old, old], {"a": old}))
    if kind == 4:
        return str(old)[: int(rng.integers(0, 40))]
    return functools.reduce(lambda inner, _: [inner], range(int(rng.integers(1, 300))), old)


def spoilt_bytes(raw: bytes, rng: Rng, start: int = 0, most: int = 8) -> bytes:
    """Flip, overwrite, cut out, insert, double and cut off bytes."""
    out = bytearray(raw)
    for _ in range(int(rng.integers(1, most))):
        if len(out) <= start + 8:
            break
        at = int(rng.integers(start, len(out)))
        kind = int(rng.integers(7))
        if kind <= 1:
            out[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            word = struct.pack("<I", pick(rng, (0, 1, 0xFFFFFFFF, 0x7FFFFFFF, 0xFFFF, 12)))
            out[at : at + 4] = word[: len(out[at : at + 4])]
        elif kind == 3:
            del out[at : at + int(rng.integers(1, 20))]
        elif kind == 4:
            out[at:at] = rng.bytes(int(rng.integers(1, 20)))
        elif kind == 5:
            out[at:at] = out[at : at + int(rng.integers(1, 200))]
        elif rng.random() < 0.3:
            del out[at:]
    return bytes(out)


def spoilt_text(text: str, rng: Rng, words: str = "=:,\n\"[]{}#'\\") -> bytes:
    """Spoil a text: bytes, lines, signs of its grammar, numbers and words."""
    lines = text.split("\n")
    for _ in range(int(rng.integers(1, 5))):
        kind, at = int(rng.integers(8)), int(rng.integers(len(lines)))
        line = lines[at]
        if kind == 0:
            del lines[at]
        elif kind == 1:
            lines.insert(int(rng.integers(len(lines) + 1)), line)
        elif kind == 2 and line:
            cut = int(rng.integers(len(line)))
            lines[at] = line[:cut] + pick(rng, words) + line[cut + int(rng.integers(2)) :]
        elif kind in (3, 4):
            head, sign, _ = line.rpartition("=") if "=" in line else line.rpartition(",")
            lines[at] = f"{head}{sign} {pick(rng, TEXTS) if kind == 3 else pick(rng, NUMBERS)!r}"
        elif kind == 5:
            lines[at] = line.replace("0", "9").replace("1", "-1")
        elif kind == 6:
            lines[at] = line + "".join(pick(rng, words) for _ in range(int(rng.integers(1, 200))))
        else:
            lines[at] = line.upper()
        if not lines:
            return b""
    raw = "\n".join(lines).encode("utf-8", "surrogatepass")
    return spoilt_bytes(raw, rng, most=4) if rng.random() < 0.15 else raw


def spoilt_json(text: str, rng: Rng) -> bytes:
    """Replace, drop, rename or double values at random places of a JSON record."""
    record = json.loads(text)
    for _ in range(int(rng.integers(1, 4))):
        holder: Any = record
        while True:
            keys = list(holder) if isinstance(holder, dict) else range(len(holder))
            if not keys:
                break
            key = pick(rng, list(keys))
            if isinstance(holder[key], dict | list) and holder[key] and rng.random() < 0.85:
                holder = holder[key]
                continue
            kind = rng.integers(4)
            if kind == 0:
                del holder[key]
            elif kind == 1 and isinstance(holder, dict):
                holder[pick(rng, TEXTS)] = holder[key]
            else:
                holder[key] = spoilt_value(rng, holder[key])
            break
    raw = json.dumps(record).encode("utf-8", "surrogatepass")
    return spoilt_bytes(raw, rng, most=3) if rng.random() < 0.1 else raw
