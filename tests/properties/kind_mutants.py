"""Mutated logs with every kind of entry, held against what docs/format/release-log.md says of format 3.

    python tests/properties/kind_mutants.py [--count 20000] [--seed 1]

*Bytes*: each byte of each line changed, alone as the last line and behind what it continues, is refused. *Fields*: each value of each
entry changed, left out, doubled or put elsewhere, floors put right or not, with the tree worked out again as an attacker with the machine
can: taken only where the page's rules hold (`page_rules.py`), and never against a head that it does not continue. *Blind* and *drawn* do the
same at random, several at once.
"""

import argparse
import copy
import json
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    for room in ("properties", "formats/log", "."):
        sys.path.insert(0, str(Path(__file__).parents[1] / room))

import naive_tree
from log_book import by_the_page, compact
from log_mutants import WronglyAcceptedError, accepted, against, blind, edited, read
from mixed_book import Floors, follow, mixed, stated
from page_rules import KINDS, legal

from imgseal.formats.log.lines import EMPTY, is_whole, resume, steps
from imgseal.formats.log.proof import Head

SIZE = 16


def _every_kind() -> Any:
    """The first of the drawn logs that has an older format and every kind in it."""
    for seed in range(10_000):
        maker = mixed(seed, SIZE)
        made = [json.loads(line)["entry"] for line in maker.lines]
        if {entry.get("kind", "old") for entry in made} == {*KINDS, "old"}:
            return maker
    raise AssertionError("no seed draws every kind")


MADE = _every_kind()
LOG = MADE.data
LINES = LOG.splitlines(keepends=True)
ENTRIES = [json.loads(line)["entry"] for line in LINES]
DATA = [compact(entry) for entry in ENTRIES]
ROOTS = [naive_tree.mth(DATA[:size]) for size in range(SIZE + 1)]
STARTS = [json.loads(line)["at"] for line in LINES]


def offsets(entries: list[Any]) -> list[int]:
    """Where the lines of entries begin: hashes have one length, and their number follows from the size."""
    out = [0]
    for size, entry in enumerate(entries):
        out.append(out[-1] + _length(size, out[-1], entry))
    return out[:-1]


def _length(size: int, at: int, entry: Any) -> int:
    return len(compact({"at": at, "edge": ["0" * 64] * size.bit_count(), "root": "0" * 64, "entry": entry})) + 1


def repair(entries: list[Any]) -> None:
    """Numbers and floors as they follow, where the entries have the shape for it."""
    floors: Floors = {}
    at = 0
    try:
        for number, entry in enumerate(entries):
            entry["number"] = number
            follow(floors, entry, at)
            entry["least"] = stated(floors, entry)
            at += _length(number, at, entry)
    except (KeyError, TypeError, AttributeError, ValueError, IndexError):
        return


def judge(entries: list[Any]) -> bool:
    """Hold a log of these entries, whose tree is right, against the page; return whether it is taken."""
    data = by_the_page(entries)
    taken = accepted(lambda: read(data))
    allowed = legal(entries, offsets(entries)) and all(len(line) <= 262_144 for line in data.split(b"\n"))
    if taken != allowed:
        raise WronglyAcceptedError(f"the page says {'legal' if allowed else 'not legal'}, the package {taken}")
    if taken:
        made = read(data)
        for size in range(min(SIZE, len(entries)) + 1):
            continues = [compact(entry) for entry in entries[:size]] == DATA[:size]
            if accepted(lambda size=size: against(made, Head(size, ROOTS[size]))) != continues:  # type: ignore[misc]
                raise WronglyAcceptedError(f"against the head of {size} entries: should be {continues}")
    return taken


def places(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every value of a JSON tree."""
    if path:
        yield path
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in items:
        yield from places(value, (*path, key))


def other_values(value: Any) -> Iterator[Any]:
    """What may stand in place of a value: near to it, at the ends of what is allowed, and of another kind."""
    if type(value) is int:
        yield from (value + 1, value - 1, 0, 2**32, 2**63, float(value), str(value), True)
    elif isinstance(value, str):
        flipped = f"{'0' if value[:1] != '0' else '1'}{value[1:]}"
        yield from (
            flipped,
            value[:-1],
            value[:-2],
            f"{value}0",
            f"{value}00",
            "",
            value.upper(),
            f"{value}\n",
            None,
            0,
        )
    elif isinstance(value, list):
        yield from ([], value[1:], [*value, *value[-1:]], value[::-1], None, {})
    elif isinstance(value, dict):
        yield from ({}, {**value, "more": 1}, dict(reversed(value.items())), None, [])
    else:
        yield from (0, "", [], {}, False)


def fields(number: int, chosen: Callable[[], bool] = lambda: True) -> Iterator[list[Any]]:
    """The log up to an entry with each value of that changed in each way, floors as they were and put right, and gone.

    Those of them that are chosen.
    """
    for way in places(ENTRIES[number]):
        value: Any = ENTRIES[number]
        for key in way:
            value = value[key]
        for other in (*other_values(value), KeyError):
            for mend in (False, True):
                if (mend and way[0] == "least") or not chosen():
                    continue
                entries = copy.deepcopy(ENTRIES[: number + 1])
                inside: Any = entries[number]
                for key in way[:-1]:
                    inside = inside[key]
                if other is KeyError:
                    del inside[way[-1]]
                else:
                    inside[way[-1]] = other
                if mend:
                    repair(entries)
                yield entries


def every_byte(number: int, step: int) -> int:
    """Change bytes of a line, each `step`th in one bit of eight; WronglyAcceptedError where one is taken. Returns how many."""
    line, tip = LINES[number][:-1], EMPTY if number == 0 else MADE.steps[number - 1].tip
    tried = 0
    for at in range(number % step, len(line), step):
        changed = line[:at] + bytes([line[at] ^ (1 << at % 8)]) + line[at + 1 :]
        tried += 1
        if accepted(lambda changed=changed: resume(changed, STARTS[number])):  # type: ignore[misc]
            raise WronglyAcceptedError(f"entry {number}, byte {at}: a last line is gone on from")
        if accepted(lambda changed=changed: list(steps([changed], "release.log", tip))):  # type: ignore[misc]
            raise WronglyAcceptedError(f"entry {number}, byte {at}: a line is followed")
    return tried


def one(number: int, seed: int, counts: Counter[str]) -> None:
    """Make one mutant at random, and hold it against the page."""
    rng = random.Random(f"{seed} {number}")
    if rng.random() < 0.5:
        data = blind(LOG, rng)
        taken = accepted(lambda: read(data))
        end = data.rfind(b"\n") + 1
        kept = data + b"\n" if is_whole(data[end:]) and data[end:] + b"\n" in LINES else data[:end]
        if taken != LOG.startswith(kept):
            raise WronglyAcceptedError(f"{number}: a changed log is {'taken' if taken else 'refused'}")
        counts[f"blind: {'accepted' if taken else 'refused'}"] += 1
        return
    entries: list[Any] = copy.deepcopy(ENTRIES)
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(len(entries))
        entries[at] = edited(entries[at], rng)
    if rng.random() < 0.3:
        del entries[rng.randrange(len(entries))]
    if rng.random() < 0.3:
        at = rng.randrange(len(entries))
        entries.insert(rng.randrange(len(entries)), copy.deepcopy(entries[at]))
    if rng.random() < 0.8:
        repair(entries)
    try:
        counts[f"drawn: {'accepted' if judge(entries) else 'refused'}"] += 1
    except WronglyAcceptedError as error:
        raise WronglyAcceptedError(f"{number}: {error}") from None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    counts: Counter[str] = Counter()
    for number in range(len(LINES)):
        counts["bytes: refused"] += every_byte(number, 1)
        for entries in fields(number):
            counts[f"fields: {'accepted' if judge(entries) else 'refused'}"] += 1
    for number in range(arguments.count):
        one(number, arguments.seed, counts)
    for name, count in sorted(counts.items()):
        print(f"{count:>8}  {name}")


if __name__ == "__main__":
    main()
