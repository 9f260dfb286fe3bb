"""How the fuzzer changes what it was given: bytes, texts, JSON values, tables, settings."""

import copy
import json
import random
import struct
from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["HOSTILE", "Mutate", "change_bytes", "change_json", "change_table", "change_text"]

Mutate = Callable[[bytes, random.Random], bytes]

# Texts that a spreadsheet, a browser, a template, a path, a number or a date may trip over.
HOSTILE = (
    *("", " ", "\0", "\t=1+1", "=1+1", "+1+1", "-1+1", "@SUM(A1)", "\r=1", "\uff1d1+1", "'=1"),
    *('"=1', "<script>alert(1)</script>", "\"'><img src=x onerror=alert(2)>"),
    *("</style><script>x</script>", "javascript:alert(1)", "data:text/html,<script>x</script>"),
    *("&lt;b&gt;", "]]>", "-->", "{{7*7}}", "{% raw %}", "${7*7}", "%s%n{0}", "[bold red]x[/]"),
    *("\x1b[2J", "\u202etxt.exe", "../../../etc/passwd", "/etc/passwd", "..\\..\\x", "C:\\x"),
    *("CON", "nul.txt", "a/../../b", "nan", "inf", "-inf", "1e400", "-0", "1e-400", "0x10"),
    *("1_000", "\u0663", "\uff11\uff12", "\u00b2", "1,5", "1.2.3", "9" * 400, "-" + "9" * 30),
    *("1e999999", "9999-12-31T23:59:59+14:00", "0001-01-01", "0000-00-00", "2026-02-30"),
    *("2026-01-12T25:00", "2026-01-12T10:00+99:99", "2026-W01-1", "24:00", "99999:59"),
    *("A" * 70_000, "\u00e9", "e\u0301", "\ufeff", "\u2028", "\ud7ff", "\U0001d7d9", "\x7f"),
    *("\x85", "\xa0", "'; drop table photos; --", "true", "null", "None", "[]", "{}", '"', "'"),
    *("\\", "\n", ",", ";"),
)
_NUMBERS = (0, 1, -1, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63, -(2**63), 10**40)
_LARGE = 10**300  # the largest whole number that is multiplied
_VALUES = (
    *(None, True, False, [], {}, "", 0, -1, 1e308, -1e308, 5e-324, 10**400, float("nan")),
    *(float("inf"), [[]], [None], {"a": {}}, "0", [0] * 1000, "x" * 10_000),
)


def change_bytes(data: bytes, rng: random.Random) -> bytes:
    """Flip, overwrite, cut, repeat or move pieces, one to four times."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        if not out:
            return bytes(rng.randbytes(rng.randint(0, 64)))
        at = rng.randrange(len(out))
        # Heads of files hold most of what can be got wrong.
        at = min(at, rng.randrange(200)) if rng.random() < 0.5 else at
        length = rng.choice((1, 2, 4, 8, rng.randint(1, 1 + len(out) // 4)))
        kind = rng.randrange(8)
        if kind == 0:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            out[at : at + length] = rng.randbytes(len(out[at : at + length]))
        elif kind == 2:
            number = rng.choice(_NUMBERS) % 2**32
            size = rng.choice((2, 4))
            form = rng.choice("<>") + ("H" if size == 2 else "I")
            out[at : at + size] = struct.pack(form, number % 2 ** (8 * size))
        elif kind == 3:
            del out[at : at + length]
        elif kind == 4:
            out[at:at] = out[at : at + length] * rng.choice((1, 2, 50))
        elif kind == 5:
            del out[at:]
        elif kind == 6:
            to = rng.randrange(len(out))
            out[to : to + length] = out[at : at + length]
        else:
            out[at : at + length] = bytes([rng.choice((0, 255))]) * len(out[at : at + length])
    return bytes(out)


def change_text(data: bytes, rng: random.Random) -> bytes:
    """Put hostile texts into a text, move its lines and words, or treat it as bytes."""
    if rng.random() < 0.25:
        return change_bytes(data, rng)
    text = data.decode("utf-8", "replace")
    for _ in range(rng.choice((1, 1, 2, 3))):
        lines = text.splitlines(keepends=True) or [""]
        number = rng.randrange(len(lines))
        words = lines[number].split(" ")
        kind = rng.randrange(6)
        if kind == 0:
            words[rng.randrange(len(words))] = _hostile(rng)
            lines[number] = " ".join(words) + ("\n" if rng.random() < 0.8 else "")
        elif kind == 1:
            at = rng.randrange(len(lines[number]) + 1)
            lines[number] = lines[number][:at] + _hostile(rng) + lines[number][at:]
        elif kind == 2:
            del lines[number]
        elif kind == 3:
            lines.insert(rng.randrange(len(lines) + 1), lines[number])
        elif kind == 4:
            other = rng.randrange(len(lines))
            lines[number], lines[other] = lines[other], lines[number]
        else:
            head, equals, _ = lines[number].partition("=")
            value = json.dumps(_hostile(rng)) if rng.random() < 0.5 else _hostile(rng)
            lines[number] = f"{head}{equals}{value}\n"
        text = "".join(lines)
    return _encoded(text, rng)


def change_json(data: bytes, rng: random.Random) -> bytes:
    """Replace, take away or nest values anywhere in a JSON text, or treat it as text."""
    if rng.random() < 0.2:
        return change_text(data, rng)
    tree: Any = json.loads(data)
    for _ in range(rng.choice((1, 1, 2, 3))):
        tree = _changed(tree, rng)
    if rng.random() < 0.02:
        return b"[" * 100_000
    return _encoded(json.dumps(tree, ensure_ascii=rng.random() < 0.5), rng)


def _changed(tree: Any, rng: random.Random) -> Any:
    holders: list[tuple[Any, Any]] = [(None, None)]
    stack = [tree]
    while stack and len(holders) < 5000:
        one = stack.pop()
        if isinstance(one, dict | list):
            for key in one if isinstance(one, dict) else range(len(one)):
                holders.append((one, key))
                stack.append(one[key])
    holder, key = rng.choice(holders)
    value = copy.deepcopy(rng.choice(_VALUES)) if rng.random() < 0.6 else _hostile(rng)
    if holder is None or key is None:
        return value if rng.random() < 0.3 else [tree] if rng.random() < 0.5 else {"a": tree}
    kind = rng.randrange(5)
    if kind == 0 and isinstance(holder, dict):
        holder[_hostile(rng)] = holder.pop(key)
    elif kind == 1:
        del holder[key]
    elif kind == 2 and isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
        holder[key] = min(max(holder[key], -_LARGE), _LARGE) * rng.choice((-1, 0, 1e6, 1e-9))
    else:
        holder[key] = value
    return tree


def change_table(data: bytes, rng: random.Random) -> bytes:
    """Change cells, columns, separators, quotes and the encoding of a CSV, or treat it as text."""
    if rng.random() < 0.2:
        return change_text(data, rng)
    rows = [line.split(",") for line in data.decode().splitlines()]
    for _ in range(rng.choice((1, 1, 2, 4))):
        number = rng.randrange(len(rows))
        row = rows[number]
        at = rng.randrange(len(row)) if row else 0
        kind = rng.randrange(7)
        if kind <= 2 and row:
            row[at] = _quoted(_hostile(rng), rng)
        elif kind == 3 and row:
            for other in rows:
                del other[at : at + 1]
        elif kind == 4:
            rows.insert(number, list(row))
        elif kind == 5 and row:
            row.append(_quoted(_hostile(rng), rng))
        elif row:
            rows[0][rng.randrange(len(rows[0]))] = rng.choice((_hostile(rng), rows[0][0]))
        rows = [one for one in rows if one] or [[""]]
    separator = rng.choice((",", ",", ",", ";", "\t", "|"))
    return _encoded(rng.choice(("\n", "\r\n", "\r")).join(separator.join(r) for r in rows), rng)


def _quoted(text: str, rng: random.Random) -> str:
    return '"' + text.replace('"', '""') + '"' if rng.random() < 0.7 else text


def _hostile(rng: random.Random) -> str:
    text = rng.choice(HOSTILE)
    return text + rng.choice(HOSTILE)[:50] if rng.random() < 0.1 else text


def _encoded(text: str, rng: random.Random) -> bytes:
    names: Sequence[str] = ("utf-8",) * 12 + ("utf-8-sig", "utf-16", "cp1252", "latin-1", "utf-32")
    return text.encode(rng.choice(names), "replace")
