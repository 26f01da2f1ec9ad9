"""Twists of generated packages: commands, parameters and whole sequences, in any order and nesting."""

import hashlib
import random

from gen_cbor import Pairs, emit
from gen_package import COMPONENTS, Draft, Sequence, versions_of
from gen_twists import twist

# -- sequences --------------------------------------------------------------------------------------------------------


def _levels(sequence: Sequence) -> list[Sequence]:
    """The sequence and all in it."""
    out = [sequence]
    for command in sequence:
        if isinstance(command, list) and isinstance(command[1], list):
            for branch in command[1] if command[0] == 15 else [command[1]] if command[0] == 32 else []:
                if isinstance(branch, list):
                    out += _levels(branch)
    return out


def _some_level(d: Draft, rng: random.Random, name: str | None = None) -> Sequence:
    return rng.choice(_levels(d.sections[name or rng.choice(list(d.sections))]))


def _value(d: Draft, rng: random.Random, label: int) -> object:
    """A parameter's value: one that fits, or another one of its kind."""
    part = rng.choice(d.parts)
    numbers = rng.choice(([3, 0, 0], [2, 0, 0], versions_of(d.variant, part.number)))
    values: dict[int, tuple[object, ...]] = {
        1: (d.of.vendor_id, bytes(16), b"", d.of.class_id),
        2: (d.of.class_id, bytes(16), b"short"),
        3: (
            emit([-16, d.digests[part]]), emit([-16, bytes(32)]), emit([-44, bytes(64)]), emit([-16, d.digests[part][:31]]),
            emit([rng.choice((-17, -18, -43, 5)), d.digests[part]]), d.digests[part], emit([-16, d.digests[part], 0]),
        ),
        5: (0, 1, 2, 1 << 32),
        12: (True, False, 1),
        13: (True, False, 1),
        14: (d.sizes[part], d.sizes[part] + 1, 0, 1 << 32),
        18: (b"content", d.images.get(part, b"")),
        21: (d.keys[part], "#nobody", "", "x" * 65, "http://example.com/x", "#\u00e4", 5),
        22: (0, 1, len(d.parts)),
        26: (0, 300, 501, 100_000, (1 << 32) - 1, 1 << 32, -1, True),
        27: (0, 1, -1, (1 << 32) - 1, -(1 << 32), 1 << 32, True, "high"),
        28: (
            emit([3, numbers]), emit([rng.choice((1, 2, 4, 5)), numbers]), emit([3, [*numbers, -1, 0]]), emit([3, numbers[:2]]),
            emit([3, [3, 0]]), emit([3, [3, 0, 0, 0]]), emit([3, [3, 0, 0, -4, 1]]), emit([3, []]), emit([6, numbers]), emit([3, [True, 0, 0]]),
            emit([3, [1 << 32, 0, 0]]), emit([3, [3, 0, 0, -1, 1 << 24]]), emit([3, [3, 0, 0, 0, 0]]),
        ),
    }  # fmt: skip
    return rng.choice(values.get(label, (0, b"", "text", None, [])))


_LABELS = (1, 2, 3, 5, 12, 13, 14, 18, 21, 22, 26, 27, 28)


def _parameters(d: Draft, rng: random.Random) -> object:
    labels: list[object] = [rng.choice(_LABELS) for _ in range(rng.choice((1, 1, 1, 2, 4)))]
    if rng.random() < 0.1:
        labels.append(rng.choice((0, 4, 19, 24, 25, 30, 256, -1, 1 << 32, True, False, None, "uri", b"\x15", [5])))
    entries = [(label, _value(d, rng, label if isinstance(label, int) else 0)) for label in labels]
    if rng.random() < 0.05:
        return Pairs(entries)
    return Pairs(sorted({emit(k): (k, v) for k, v in entries}.values(), key=lambda entry: emit(entry[0])))


def _index(d: Draft, rng: random.Random) -> object:
    count = len(d.parts)
    odd: tuple[object, ...] = (
        count,
        255,
        256,
        1 << 32,
        -1,
        True,
        False,
        None,
        [],
        [0],
        list(range(count)),
        [0, count],
        "0",
        [True],
    )
    return rng.choice(odd) if rng.random() < 0.25 else rng.randrange(count)


def _command(d: Draft, rng: random.Random, depth: int = 0) -> list[object]:
    """A command of the grammar; most may stand somewhere."""
    kind = rng.random()
    policy = rng.choice((0, 2, 5, 15)) if rng.random() < 0.95 else rng.choice((16, -1, True, None, "2", 1 << 32, b""))
    if kind < 0.25:
        return [12, _index(d, rng)]
    if kind < 0.5:
        return [20, _parameters(d, rng)]
    if kind < 0.75:
        return [rng.choice((1, 2, 3, 5, 26, 27, 28)), policy]
    if kind < 0.87:
        return [rng.choice((21, 23)), policy]
    if kind < 0.93 and depth < 3:
        branches: list[object] = [_sequence(d, rng, depth + 1) for _ in range(rng.choice((1, 2, 2, 2, 3)))]
        return [15, [*branches, *([None] if rng.random() < 0.2 else [])]]
    if kind < 0.95 and depth < 3:
        return [32, _sequence(d, rng, depth + 1)]
    return [rng.choice((0, 4, 6, 7, 14, 18, 19, 22, 24, 25, 29, 30, 31, 33, 34, 99, -1, 1 << 32, True)), policy]


def _sequence(d: Draft, rng: random.Random, depth: int = 0) -> list[object]:
    out: list[object] = [_command(d, rng, depth) for _ in range(rng.choice((1, 2, 3, 3, 5, 8)))]
    return [[12, rng.randrange(len(d.parts))], *out] if rng.random() < 0.7 else out


@twist("sequences")
def any_sequence(d: Draft, rng: random.Random) -> None:
    d.sections[rng.choice(("shared", "install", "validate", "invoke"))] = _sequence(d, rng)


@twist("sequences")
def any_command_more(d: Draft, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2))):
        level = _some_level(d, rng)
        level.insert(rng.randrange(len(level) + 1), _command(d, rng))


@twist("sequences")
def command_left_out(d: Draft, rng: random.Random) -> None:
    level = _some_level(d, rng)
    if level:
        level.pop(rng.randrange(len(level)))


@twist("sequences")
def command_twice(d: Draft, rng: random.Random) -> None:
    level = _some_level(d, rng)
    if level:
        level.insert(rng.randrange(len(level) + 1), rng.choice(level))


@twist("sequences")
def commands_swapped(d: Draft, rng: random.Random) -> None:
    one, other = _some_level(d, rng), _some_level(d, rng)
    if rng.random() < 0.5:
        other = one
    if one and other:
        at, to = rng.randrange(len(one)), rng.randrange(len(other))
        a, b = one[at], other[to]
        if not any(level is one or level is other for x in (a, b) if isinstance(x, list) for level in _levels([x])):
            one[at], other[to] = b, a


@twist("sequences")
def command_of_another_sequence(d: Draft, rng: random.Random) -> None:
    level = _some_level(d, rng)
    other = _some_level(d, rng)
    if level and level is not other:
        command = rng.choice(level)
        if isinstance(command, list) and command[0] != 15:
            other.insert(rng.randrange(len(other) + 1), command)


@twist("sequences")
def sequences_swapped(d: Draft, rng: random.Random) -> None:
    one, other = rng.choice(list(d.sections)), rng.choice(list(d.sections))
    d.sections[one], d.sections[other] = d.sections[other], d.sections[one]


@twist("sequences")
def sequence_left_out(d: Draft, rng: random.Random) -> None:
    name = rng.choice([name for name in d.sections if name != "shared"])
    del d.sections[name]


@twist("sequences")
def index_of_another(d: Draft, rng: random.Random) -> None:
    commands = [c for c in _some_level(d, rng) if isinstance(c, list) and c[0] == 12]
    if commands:
        rng.choice(commands)[1] = _index(d, rng)


@twist("sequences")
def policy_of_another_kind(d: Draft, rng: random.Random) -> None:
    commands = [c for c in _some_level(d, rng) if isinstance(c, list) and c[0] not in (12, 15, 20, 32)]
    if commands:
        rng.choice(commands)[1] = rng.choice((0, 1, 3, 14, 16, 255, -1, True, None, "2", [], b"", 1 << 32))


def _overrides(level: list[object]) -> list[list[object]]:
    return [c for c in level if isinstance(c, list) and c[0] == 20 and isinstance(c[1], dict) and c[1]]


@twist("sequences")
def parameter_of_another_value(d: Draft, rng: random.Random) -> None:
    found = _overrides(_some_level(d, rng))
    if found:
        command = rng.choice(found)
        assert isinstance(command[1], dict)
        label = rng.choice(list(command[1]))
        command[1] = {**command[1], label: _value(d, rng, label)}


@twist("sequences")
def parameter_more(d: Draft, rng: random.Random) -> None:
    """The digest overridden where it is matched, or another one beside."""
    found = _overrides(_some_level(d, rng))
    if found:
        command = rng.choice(found)
        assert isinstance(command[1], dict)
        label = rng.choice(_LABELS)
        command[1] = {**command[1], label: _value(d, rng, label)}


@twist("sequences")
def parameter_keys_that_are_odd(d: Draft, rng: random.Random) -> None:
    found = _overrides(_some_level(d, rng))
    if found:
        command = rng.choice(found)
        assert isinstance(command[1], dict)
        entries: list[tuple[object, object]] = list(command[1].items())
        key = rng.choice((True, False, None, -1, 0, "1", b"\x01", 24, 256, 1 << 32, entries[0][0]))
        entries.append((key, rng.choice((entries[0][1], bytes(16), 0, True))))
        command[1] = Pairs(entries if rng.random() < 0.3 else sorted(entries, key=lambda entry: emit(entry[0])))


@twist("sequences")
def digest_overridden(d: Draft, rng: random.Random) -> None:
    """In install or validate, in front of a match; what shared says stays another one."""
    level = _some_level(
        d, rng, rng.choice([name for name in d.sections if name in ("install", "validate")] or ["shared"])
    )
    at = [n for n, c in enumerate(level) if isinstance(c, list) and c[0] == 3]
    if at:
        part = rng.choice(d.parts)
        digest = rng.choice((bytes(32), d.digests[part], hashlib.sha256(d.images.get(part, b"")).digest()))
        level.insert(rng.choice(at), [20, {3: emit([-16, digest])}])


@twist("sequences")
def shared_names_another_digest(d: Draft, rng: random.Random) -> None:
    """The right one is overridden in install, in validate, or in both."""
    part = rng.choice(d.parts)
    right = emit([-16, d.digests[part]])
    for command in _overrides(d.sections["shared"]):
        assert isinstance(command[1], dict)
        if command[1].get(3) == right:
            command[1] = {**command[1], 3: emit([-16, bytes(32)])}
    for name in rng.choice((("install",), ("validate",), ("install", "validate"))):
        for level in _levels(d.sections.get(name, [])):
            for at in [n for n, c in enumerate(level) if isinstance(c, list) and c[0] == 3][::-1]:
                level.insert(at, [20, {3: right}])


@twist("sequences", often=4)
def asked_in_a_branch(d: Draft, rng: random.Random) -> None:
    """Condition 27 moves from the top into a try-each: a branch that runs, or one that never does."""
    install = d.sections.get("install", [])
    asks = [
        c
        for c in install
        if isinstance(c, list) and (c[0] == 27 or (c[0] == 20 and isinstance(c[1], dict) and 27 in c[1]))
    ]
    d.sections["install"] = [c for c in install if c not in asks]
    asks = asks or [[20, {27: 0}], [27, 2]]
    kind = rng.random()
    levels = [level for level in _levels(d.sections["install"])[1:] if level]
    if kind < 0.6 and levels:
        level = rng.choice(levels)
        at = rng.choice((0, 1, 3, len(level)))
        level[at:at] = asks
        return
    never: list[object] = [[12, 0], [20, {5: rng.choice((0, 1, 2))}], [5, 2], *asks]
    quiet: list[object] = [[12, 0], [20, {5: rng.choice((0, 1))}], [5, 2]]
    branches: list[object] = [never, quiet] if rng.random() < 0.5 else [quiet, never]
    d.sections["install"][1:1] = [[15, branches]]


@twist("sequences")
def asked_too_late(d: Draft, rng: random.Random) -> None:
    install = d.sections.get("install", [])
    asks = [
        c
        for c in install
        if isinstance(c, list) and (c[0] == 27 or (c[0] == 20 and isinstance(c[1], dict) and 27 in c[1]))
    ]
    rest = [c for c in install if c not in asks]
    at = rng.randrange(len(rest) + 1)
    d.sections["install"] = [*rest[:at], *asks, *rest[at:]]


@twist("sequences", often=4)
def nothing_behind_a_try_each(d: Draft, rng: random.Random) -> None:
    """Commands behind a try-each, whose branches have set the index: which one counts is left open."""
    name = rng.choice(("install", "validate", "invoke"))
    section = d.sections.get(name, [])
    at = [n for n, c in enumerate(section) if isinstance(c, list) and c[0] == 15]
    if at:
        extra: Sequence = [[3, 2], [20, {21: d.keys[rng.choice(d.parts)]}], [21, 2], [5, 2], [23, 2]]
        to = rng.choice(at) + 1
        section[to:to] = rng.sample(extra, rng.choice((1, 1, 2)))


@twist("sequences")
def try_each_nested(d: Draft, rng: random.Random) -> None:
    level = _some_level(d, rng)
    if level:
        start = rng.randrange(len(level))
        end = rng.randrange(start, len(level)) + 1
        inner = level[start:end]
        other = rng.choice(([[12, 0], [24, 2]], [[12, 0], [14, 2]], list(inner), [[12, 0], [20, {5: 1}], [5, 2]]))
        branches: list[object] = [inner, other] if rng.random() < 0.6 else [other, inner]
        level[start:end] = [[15, branches]]


@twist("sequences")
def branches_more_or_fewer(d: Draft, rng: random.Random) -> None:
    found = [c for c in _some_level(d, rng) if isinstance(c, list) and c[0] == 15 and isinstance(c[1], list)]
    if found:
        command = rng.choice(found)
        branches = command[1]
        assert isinstance(branches, list)
        kind = rng.randrange(6)
        if kind == 0:
            branches.pop(rng.randrange(len(branches)))
        elif kind == 1:
            branches.reverse()
        elif kind == 2:
            branches.append(list(rng.choice(branches)))
        elif kind == 3:
            branches.append(None)
        elif kind == 4:
            branches[rng.randrange(len(branches))] = rng.choice((None, [], b"", emit([12]), 5))
        else:
            command[1] = rng.choice((None, [], {}, 2, b""))


@twist("sequences")
def fetched_from_another_key(d: Draft, rng: random.Random) -> None:
    """Header and payload pairs mixed, one payload for two, a payload that nobody fetches."""
    found = [
        c
        for level in _levels(d.sections.get("install", []))
        for c in _overrides(level)
        if isinstance(c[1], dict) and 21 in c[1]
    ]
    if found:
        rng.choice(found)[1] = {21: d.keys[rng.choice(d.parts)]}


@twist("sequences", often=4)
def fetched_twice(d: Draft, rng: random.Random) -> None:
    """Another payload in front of the right one, or in a branch that is never taken: of these bytes nothing is signed."""
    part = rng.choice([part for part in d.parts if COMPONENTS[part.number].detached and not part.header] or d.parts)
    index = d.parts.index(part)
    d.spare["#spare"] = rng.choice((b"x", bytes(600), bytes(60_000), d.images.get(part, b"")))
    more: Sequence = [[12, index], [20, {21: "#spare"}], [21, 2]]
    install = d.sections.get("install", [])
    kind = rng.randrange(3)
    if kind == 0:
        at = [n for n, c in enumerate(install) if c == [12, index]]
        install[(at or [1])[-1] : (at or [1])[-1]] = more
    elif kind == 1:
        never: Sequence = [[12, index], [20, {5: 2}], [5, 2], *more[1:]]
        quiet: Sequence = [[12, index], [20, {5: d.parts[index].slot}], [5, 2]]
        install.append([12, index])
        install.append([15, [never, quiet] if rng.random() < 0.5 else [quiet, never]])
    else:
        install += more


@twist("sequences")
def installs_nothing(d: Draft, rng: random.Random) -> None:
    """A package without payloads: the numbers alone."""
    if rng.random() < 0.5:
        d.images = {}
    for level in _levels(d.sections.get("install", [])):
        level[:] = [c for c in level if not isinstance(c, list) or c[0] not in (21, 3)]
    if rng.random() < 0.5:
        d.sections["install"] = [[12, 0], [20, {21: "#nothing"}]]
    if rng.random() < 0.5:
        d.sections.pop("validate", None)


@twist("sequences")
def version_of_what_is_not_fetched(d: Draft, rng: random.Random) -> None:
    """A component that no branch fetches is validated, its version too."""
    part = rng.choice(d.parts)
    index = d.parts.index(part)
    for level in _levels(d.sections.get("install", [])):
        starts = [n for n, c in enumerate(level) if c == [12, index]]
        if starts:
            start = starts[-1]
            ends = [n for n, c in enumerate(level) if n > start and isinstance(c, list) and c[0] in (12, 15)]
            del level[start : ends[0] if ends else len(level)]
    if rng.random() < 0.7:
        d.images.pop(part, None)
    if rng.random() < 0.6:
        for level in _levels(d.sections.get("validate", [])):
            for n in [n for n, c in enumerate(level) if c == [12, index]]:
                level[n : n + 5] = [c for c in level[n : n + 5] if not isinstance(c, list) or c[0] != 3]


@twist("sequences")
def not_a_sequence(d: Draft, rng: random.Random) -> None:
    name = rng.choice(list(d.sections))
    d.odd_sections[name] = rng.choice(([], [[12, 0], 12], 5, {}, "text", [12, 0, 1], None, True))
