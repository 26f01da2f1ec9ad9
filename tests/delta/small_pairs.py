"""Small images that behave like compiled code (functions that call one another, literal pools, tables), and their changes."""

import random
from collections.abc import Iterator
from typing import NamedTuple

from imgseal.formats.delta.layout import Frame

RAM = 0x2000_0000


class SmallPair(NamedTuple):
    """An old image, which may be empty, a new one, and where they run; None for data."""

    old: bytes
    new: bytes
    frame: Frame | None


def call(at: int, target: int, kind: int = 0xD000) -> bytes:
    """BL from one address to another, or with 0x9000 B.W, written from the Arm manual's pseudocode."""
    v = target - (at + 4)
    assert -(1 << 24) <= v < 1 << 24
    s, i1, i2 = v >> 24 & 1, v >> 23 & 1, v >> 22 & 1
    first = 0xF000 | s << 10 | v >> 12 & 0x3FF
    second = kind | (1 - (i1 ^ s)) << 13 | (1 - (i2 ^ s)) << 11 | v >> 1 & 0x7FF
    return first.to_bytes(2, "little") + second.to_bytes(2, "little")


def link(functions: list[tuple[str, list[object]]], base: int) -> bytes:
    """Lay functions out one behind the other: half-words as numbers, calls as names, words as ("word", name or number)."""
    places, at = {}, base
    for name, parts in functions:
        at += -at & 3
        places[name] = at
        at += sum(2 if isinstance(part, int) else 4 for part in parts)
    out = bytearray()
    for _name, parts in functions:
        out += b"\x00\xbf" * (-len(out) % 4 // 2)
        for part in parts:
            if isinstance(part, int):
                out += part.to_bytes(2, "little")
            elif isinstance(part, str):
                name, jump, _ = part.partition("!")
                out += call(base + len(out), places.get(name, base - 0x3000), 0x9000 if jump else 0xD000)
            else:
                value = part[1]  # type: ignore[index]
                word = places.get(value, RAM) | 1 if isinstance(value, str) else value
                out += word.to_bytes(4, "little")
    return bytes(out)


def functions(draw: random.Random, count: int) -> list[tuple[str, list[object]]]:
    """Functions with the shape of code: few kinds of instructions, calls, and a pool of words at the end."""
    names = [f"f{i}" for i in range(count)]
    called = [*names, names[0] + "!", names[-1] + "!", "what lies in ROM"]
    usual = [draw.randrange(0x2000, 0xE000) for _ in range(24)]
    out: list[tuple[str, list[object]]] = []
    for name in names:
        parts: list[object] = [0xB510]
        parts += [
            draw.choice(called) if draw.random() < 0.2 else draw.choice(usual) for _ in range(draw.randrange(2, 24))
        ]
        parts.append(0xBD10)
        if sum(isinstance(part, int) for part in parts) % 2:
            parts.append(0xBF00)  # words of a pool are aligned
        parts += [
            ("word", draw.choice(names) if draw.random() < 0.5 else RAM + 4 * draw.randrange(4000))
            for _ in range(draw.randrange(4))
        ]
        out.append((name, parts))
    return out


def changed(draw: random.Random, before: list[tuple[str, list[object]]]) -> list[tuple[str, list[object]]]:
    """The same program after an edit: code put in, taken out or moved, data that lies elsewhere, a new function."""
    after = [(name, list(parts)) for name, parts in before]
    for _ in range(draw.randrange(1, 4)):
        what, i = draw.randrange(5), draw.randrange(len(after))
        parts = after[i][1]
        if what == 0:
            parts[1:1] = [draw.randrange(0x2000, 0xE000) for _ in range(draw.randrange(1, 9))]
        elif what == 1 and len(parts) > 4:
            del parts[1 : 1 + draw.randrange(1, 4)]
        elif what == 2:
            after[i], after[0] = after[0], after[i]
        elif what == 3:
            after.insert(i, (f"new{draw.randrange(99)}", functions(draw, 1)[0][1]))
        else:
            move = 4 * draw.randrange(1, 30)
            for _, each in after:
                each[:] = [("word", p[1] + move) if isinstance(p, tuple) and isinstance(p[1], int) else p for p in each]
    return after


def pairs(seed: int) -> Iterator[SmallPair]:
    """Pairs of all kinds, for ever."""
    draw = random.Random(seed)
    while True:
        old_base, new_base = (
            0x1_0000,
            draw.choice((0x1_0000, 0x1_0000, 0x8_0000, 0x800_0000 if draw.random() < 0.2 else 0x1_0100)),
        )
        frame = Frame(old_base, new_base, RAM, 0x4000 << draw.randrange(4))
        before = functions(draw, draw.randrange(2, 40))
        old, new = link(before, old_base), link(changed(draw, before), new_base if new_base < 0x800_0000 else old_base)
        if new_base == 0x800_0000:
            frame = frame._replace(new_base=old_base)
        kind = draw.randrange(10)
        tail = draw.randbytes(draw.randrange(4))
        if kind == 0:
            yield SmallPair(b"", new + tail, frame)
        elif kind == 1:
            yield SmallPair(old, new, None)
        elif kind == 2:
            yield SmallPair(
                draw.randbytes(draw.randrange(300)),
                draw.randbytes(draw.randrange(1, 300)),
                frame if draw.random() < 0.5 else None,
            )
        elif kind == 3:
            yield SmallPair(b"", bytes([draw.randrange(3)]) * draw.randrange(1, 2000), None)
        elif kind == 4:
            noise = draw.randbytes(6000)
            yield SmallPair(old, old[:50] + noise + old[51:], frame if draw.random() < 0.5 else None)
        elif kind == 5:  # words at places where they are no fields
            yield SmallPair(b"\x00\xbf" + old, b"\x00\xbf" + new, frame)
        else:
            yield SmallPair(old + tail, new + tail[:1], frame)
