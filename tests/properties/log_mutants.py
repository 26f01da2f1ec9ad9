"""Mutated release logs, last lines and proofs: verified, and held against what docs/format/release-log.md says.

    python tests/properties/log_mutants.py [--count 20000] [--seed 1] [--jobs 2]

Families: *blind* (bits, bytes, lines and pieces of a log or proof changed) may be accepted only when what counts is as it was;
*rewritten* (an entry changed and the whole tree worked out again, as an attacker with the machine can) only when the page's rules hold, which
are written here once more, and never against an older head that it does not continue; *proof* (values changed, encoded again) only where
the naive tree leads to the same root. Anything but a refusal of the error family is a fault as well.
"""

import argparse
import json
import random
import re
import sys
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from hashlib import sha256
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1] / "formats" / "log"))

import naive_tree
from log_book import book, by_the_page, compact, draft

from imgseal.errors import ImgsealError
from imgseal.formats.log.entry_codec import encode_entry
from imgseal.formats.log.lines import EMPTY, Step, added, is_whole, resume, steps
from imgseal.formats.log.proof import (
    Consistency,
    Head,
    decode_proof,
    encode_proof,
    prove_consistency,
    prove_inclusion,
    read_head,
    refuse_unless_holds,
)
from imgseal.workspace.log_file import LogFile, refuse_unless_continued

SIZE = 11
LOG, MADE = book(SIZE)
LINES = LOG.splitlines(keepends=True)
ENTRIES = [json.loads(line)["entry"] for line in LINES]
DATA = [compact(entry) for entry in ENTRIES]
LEAVES = [step.leaf for step in MADE]
ROOTS = [naive_tree.mth(DATA[:size]) for size in range(SIZE + 1)]
PROOFS = [encode_proof(prove_inclusion(step.entry, LEAVES)) for step in MADE]
PROOFS += [encode_proof(prove_consistency(LEAVES, first)) for first in range(SIZE + 1)]
_SIDE = added(MADE[SIZE - 3].tip, draft(40))[0] + b"\n"


class WronglyAcceptedError(Exception):
    """The package took what the page refuses, or failed in another way than by an error of its own."""


# -- the page's rules once more ---------------------------------------------------------------------


Known = tuple[int, str, dict[int, int], list[str]]
"""Of a class and variant: sequence, manifest, counters, oldest and newest bootloader."""


def after(
    floors: dict[tuple[str, str], Known], line: tuple[str, str], entry: Any, package: Any, counters: dict[int, int]
) -> Known:
    """The floor of a class and variant after a package."""
    said = floors[line][3] if line in floors else [entry.get("bootloader", "")] * 2
    ends = sorted([*said, entry["bootloader"]], key=ordered) if said and "bootloader" in entry else []
    return entry["sequence"], package["manifest"], counters, [ends[0], ends[-1]] if ends else []


def ordered(version: Any) -> list[int]:
    """What versions are sorted by."""
    core, _, stage = str(version).partition("-")
    name, _, number = stage.partition(".")
    return [*map(int, core.split(".")), ["alpha", "beta", "rc", ""].index(name), int(number or 0)]


def floor_list(floors: dict[tuple[str, str], Known], entry: Any) -> list[Any]:
    """`least` as the page has it; an entry that states no bootloader leaves it open for all."""
    if "bootloader" not in entry:
        for line, known in floors.items():
            floors[line] = (*known[:3], [])
    return [
        {
            "class": c, "variant": v, "sequence": s, "manifest": m, "counters": [list(p) for p in sorted(n.items())],
            **({"bootloaders": b} if "bootloader" in entry else {}),
        }
        for (c, v), (s, m, n, b) in sorted(floors.items())
    ]  # fmt: skip


def legal(entries: list[Any]) -> bool:
    """Whether docs/format/release-log.md allows these entries, with a tree that is worked out rightly."""
    floors: dict[tuple[str, str], Known] = {}
    return all(_legal_entry(entry, number, floors) for number, entry in enumerate(entries))


def _legal_entry(entry: Any, number: int, floors: dict[tuple[str, str], Known]) -> bool:
    stated = isinstance(entry, dict) and "bootloader" in entry
    keys = [
        "format",
        "number",
        "vendor",
        "product",
        "version",
        "sequence",
        "built",
        "revision",
        "tool",
        *(("bootloader",) if stated else ()),
        "packages",
        "least",
    ]
    if (
        not _object(entry, keys)
        or not _int(entry["format"], 1 + stated, 1 + stated)
        or not _int(entry["number"], number, number)
    ):
        return False
    if not (_text(entry["vendor"], 253) and _text(entry["product"], 64) and _text(entry["tool"], 64)):
        return False
    if not (
        _version(entry["version"])
        and (not stated or _version(entry["bootloader"]))
        and _int(entry["sequence"], 0, 2**32 - 1)
        and _int(entry["built"], 0, 2**63 - 1)
    ):
        return False
    if not _hex(entry["revision"], 0, 32) or not _list(entry["packages"], 1, 256) or not _list(entry["least"], 1, 256):
        return False
    before = ("", "")
    for package in entry["packages"]:
        if not _legal_package(package):
            return False
        line = (package["class"], package["variant"])
        if before != ("", "") and line <= before:
            return False
        before = line
        sequence, _, counters, _ = floors.get(line, (-1, "", {}, []))
        if entry["sequence"] <= sequence:
            return False
        counters = dict(counters)
        for image in package["images"]:
            if image["counter"] < counters.get(image["component"], 0):
                return False
            counters[image["component"]] = image["counter"]
        floors[line] = after(floors, line, entry, package, counters)
    return compact(entry["least"]) == compact(floor_list(floors, entry))


def _legal_package(package: Any) -> bool:
    if not _object(package, ["class", "variant", "manifest", "keys", "images"]) or not _list(package["images"], 1, 512):
        return False
    if not (_hex(package["class"], 16, 16) and _text(package["variant"], 256, 0) and _hex(package["manifest"], 32, 32)):
        return False
    if not _keys(package["keys"]):
        return False
    for image in package["images"]:
        if not _object(image, ["component", "name", "slot", "version", "counter", "statement", "keys"]):
            return False
        if not (_int(image["component"], 1, 255) and _text(image["name"], 256) and _text(image["slot"], 256)):
            return False
        if not (_version(image["version"]) and _int(image["counter"], 0, 2**32 - 1) and _keys(image["keys"])):
            return False
        if not _hex(image["statement"], 32, 32):
            return False
    components = [image["component"] for image in package["images"]]
    slots = {image["slot"] for image in package["images"]}
    return components == sorted(components) and len(slots) == len(components)


def _object(value: Any, keys: list[str]) -> bool:
    return isinstance(value, dict) and list(value) == keys


def _list(value: Any, least: int, most: int) -> bool:
    return isinstance(value, list) and least <= len(value) <= most


def _int(value: Any, least: int, most: int) -> bool:
    return type(value) is int and least <= value <= most


def _text(value: Any, most: int, least: int = 1) -> bool:
    return isinstance(value, str) and re.fullmatch(rf"[ !#-\[\]-~]{{{least},{most}}}", value) is not None


def _hex(value: Any, least: int, most: int) -> bool:
    return isinstance(value, str) and re.fullmatch(rf"([0-9a-f]{{2}}){{{least},{most}}}", value) is not None


def _keys(value: Any) -> bool:
    return _list(value, 1, 16) and all(_hex(key, 16, 16) for key in value) and len(set(value)) == len(value)


def _version(value: Any) -> bool:
    match = isinstance(value, str) and re.fullmatch(
        r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-(alpha|beta|rc)\.(0|[1-9]\d*))?", value
    )
    return bool(match) and all(int(n) < 2**32 for n in match.groups()[:3]) and int(match[6] or 0) < 2**24 - 1  # type: ignore[union-attr, index]


# -- families ---------------------------------------------------------------------------------------


def blind(data: bytes, rng: random.Random) -> bytes:
    """Bytes changed, put in, left out, exchanged or cut, once or a few times."""
    raw = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 5))):
        at = rng.randrange(len(raw) + 1)
        kind = rng.randrange(8)
        if kind == 0 and at < len(raw):
            raw[at] ^= 1 << rng.randrange(8)
        elif kind == 1 and at < len(raw):
            raw[at] = rng.choice(b'0123456789abcdef{}[]",:\n\r \0\xff')
        elif kind == 2:
            raw[at:at] = rng.choice(
                (b" ", b"\n", b"0", b"\r", b",", b"\0", b'"at":0,', b"<<<<<<< ours\n", b"\xef\xbb\xbf")
            )
        elif kind == 3:
            del raw[at : at + rng.choice((1, 2, 64, 700))]
        elif kind == 4:
            raw[at:at] = raw[at : at + rng.choice((1, 66, 700))]
        elif kind == 5:
            del raw[at:]
        elif kind == 6:
            other = rng.randrange(len(raw) + 1)
            piece = raw[at : at + 64]
            raw[other : other + len(piece)] = piece
        else:
            raw += rng.choice((b"\n", b"{}", b"{}\n", rng.randbytes(9)))
        if not raw:
            break
    return bytes(raw)


def lines_moved(rng: random.Random) -> bytes:
    """Whole lines left out, doubled, exchanged, or of a side that forked off."""
    lines = list(LINES)
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(len(lines))
        kind = rng.randrange(4)
        if kind == 0:
            del lines[at]
        elif kind == 1:
            lines.insert(rng.randrange(len(lines) + 1), lines[at])
        elif kind == 2:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            lines.insert(rng.randrange(len(lines) + 1), _SIDE)
        if not lines:
            break
    return b"".join(lines)


def edited(tree: Any, rng: random.Random, depth: int = 0) -> Any:
    """One place of a JSON tree changed, left out, added or doubled."""
    if isinstance(tree, dict) and tree:
        key = rng.choice(list(tree))
        kind = rng.randrange(14 if depth else 20)
        if kind == 0:
            return {k: v for k, v in tree.items() if k != key}
        if kind == 1:
            return {**tree, rng.choice(("more", "format", "keys")): rng.choice((1, "x", [], None))}
        if kind == 2:
            return {key: tree[key], **{k: v for k, v in tree.items() if k != key}}
        return {**tree, key: edited(tree[key], rng, depth + 1)}
    if isinstance(tree, list) and tree and rng.random() < 0.9:
        at = rng.randrange(len(tree))
        kind = rng.randrange(8)
        if kind == 0:
            return tree[:at] + tree[at + 1 :]
        if kind == 1:
            return [*tree[:at], tree[at], *tree[at:]]
        if kind == 2:
            return tree[::-1]
        return [*tree[:at], edited(tree[at], rng, depth + 1), *tree[at + 1 :]]
    if isinstance(tree, int) and rng.random() < 0.8:
        return tree + rng.choice((-1, 1, 1, 10, -10, 2**32, -(2**40)))
    if isinstance(tree, str) and tree and rng.random() < 0.8:
        at = rng.randrange(len(tree))
        choice = rng.choice(("0", "1", "a", "f", "A", "g", ".", "-", "", " ", '"', "\\", "é", "\n", "\x7f"))
        return tree[:at] + choice + tree[at + 1 :]
    return rng.choice((0, 1, -1, 2**63, 2**64, 1.0, True, False, None, "", "0", "00", "x" * 300, [], {}, tree))


def changed_entries(rng: random.Random) -> list[Any]:
    """The entries with one or two places changed; sometimes floors and number are put right again."""
    entries: list[Any] = json.loads(json.dumps(ENTRIES))
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(len(entries))
        entries[at] = edited(entries[at], rng)
    if rng.random() < 0.3:
        del entries[rng.randrange(len(entries))]
    if rng.random() < 0.7:
        repair(entries)
    return entries


def repair(entries: list[Any]) -> None:
    """Number and floors as they follow, where the entries have the shape for it."""
    floors: dict[tuple[str, str], Known] = {}
    try:
        for number, entry in enumerate(entries):
            entry["number"] = number
            for package in entry["packages"]:
                line = (package["class"], package["variant"])
                counters = dict(floors[line][2] if line in floors else {})
                for image in package["images"]:
                    counters[image["component"]] = image["counter"]
                floors[line] = after(floors, line, entry, package, counters)
            entry["least"] = floor_list(floors, entry)
    except (KeyError, TypeError, AttributeError, ValueError):
        return


def read(data: bytes) -> list[Step]:
    """As the command reads a file: a last piece without a line feed counts when it is a line."""
    *lines, bare = data.split(b"\n")
    return list(steps([*lines, bare] if bare and is_whole(bare) else lines, "release.log"))


def accepted(look: Callable[[], object]) -> bool:
    """Whether it is taken; only errors of the package's family refuse."""
    try:
        look()
    except ImgsealError as error:
        if not (error.message and error.hint):
            raise WronglyAcceptedError(f"an error without words: {error!r}") from error
        return False
    return True


def one(number: int, seed: int, counts: Counter[str]) -> None:
    """Make one mutant, look at it, and raise WronglyAcceptedError where the package is wrong."""
    rng = random.Random(f"{seed} {number}")
    family = rng.choice(
        ("blind log", "moved lines", "rewritten log", "rewritten log", "last line", "blind proof", "proof", "head")
    )
    wrong, taken = FAMILIES[family](rng)
    counts[f"{family}: {'accepted' if taken else 'refused'}"] += 1
    if wrong:
        raise WronglyAcceptedError(f"{number} ({family}): {wrong}")


def _log(data: bytes) -> tuple[str | None, bool]:
    taken = accepted(lambda: read(data))
    end = data.rfind(b"\n") + 1
    whole = (
        data + b"\n" if data[end:] + b"\n" in (*LINES, _SIDE) else data[:end]
    )  # a line that lost its line feed is one
    same = LOG.startswith(whole)
    if taken and not same:
        return "a changed log is accepted", taken
    if same and not taken:
        return "the beginning of a good log is refused", taken
    return None, taken


def _blind_log(rng: random.Random) -> tuple[str | None, bool]:
    return _log(blind(LOG, rng))


def _moved_lines(rng: random.Random) -> tuple[str | None, bool]:
    data = lines_moved(rng)
    wrong, taken = _log(data)
    if data != LOG and taken and len(data) < len(LOG):
        taken_whole = accepted(lambda: against(read(data), Head(SIZE, ROOTS[SIZE])))
        if taken_whole:
            return "a shortened log passes against the whole one's head", taken
    side = b"".join([*LINES[: SIZE - 2], _SIDE])
    return (None, taken) if data == side else (wrong, taken)


def against(made: list[Step], older: Head) -> None:
    """As `log verify --against` does it."""
    log = LogFile("release.log")
    log.tip = made[-1].tip if made else EMPTY
    roots = [EMPTY.root, *(step.tip.root for step in made)]
    refuse_unless_continued(log, older, roots[older.size] if older.size < len(roots) else None)


def _rewritten_log(rng: random.Random) -> tuple[str | None, bool]:
    entries = changed_entries(rng)
    data = by_the_page(entries)
    taken = accepted(lambda: read(data))
    allowed = legal(entries) and all(len(line) <= 262_144 for line in data.split(b"\n"))
    if taken != allowed:
        return f"the page says {'legal' if allowed else 'not legal'}, the package {taken}", taken
    if taken:
        size = rng.randrange(SIZE + 1)
        continues = [compact(entry) for entry in entries[:size]] == DATA[:size]
        if accepted(lambda: against(read(data), Head(size, ROOTS[size]))) != continues:
            return f"against the head of {size} entries: should be {continues}", taken
    return None, taken


def _last_line(rng: random.Random) -> tuple[str | None, bool]:
    at = rng.randrange(SIZE)
    begin = sum(map(len, LINES[:at]))
    line = LINES[at][:-1]
    changed = blind(line, rng) if rng.random() < 0.8 else line
    begin_said = begin if rng.random() < 0.7 else begin + rng.choice((-1, 1, 17, -begin, 700))
    taken = accepted(lambda: resume(changed, begin_said))
    return ("a last line is gone on from" if taken != ((changed, begin_said) == (line, begin)) else None), taken


def _blind_proof(rng: random.Random) -> tuple[str | None, bool]:
    original = rng.choice(PROOFS)
    data = blind(original, rng)
    taken = accepted(lambda: refuse_unless_holds(decode_proof(data)))
    # the sizes of a proof may change where the definition leads to the same roots
    same = not taken or data in PROOFS
    if not same and (compact(json.loads(data)) + b"\n" != data or not _by_definition(decode_proof(data))):
        return "a changed proof is accepted", taken
    return None, taken


def _by_definition(proof: Any) -> bool:
    if isinstance(proof, Consistency):
        (m, first), (n, second), path = proof.first, proof.second, list(proof.path)
        if m == n:
            return first == second and not path
        if m == 0:
            return first == sha256().digest() and not path
        return bool(m < n and naive_tree.roots_from_proof(m, n, first, path) == (first, second))
    leaf = sha256(b"\0" + encode_entry(proof.entry)).digest()
    number, size = proof.entry.number, proof.head.size
    return bool(number < size and naive_tree.root_from_path(number, size, leaf, list(proof.path)) == proof.head.root)


def _proof(rng: random.Random) -> tuple[str | None, bool]:
    tree = json.loads(rng.choice(PROOFS))
    for _ in range(rng.choice((1, 1, 2))):
        kind = rng.randrange(7)
        if kind == 0:
            tree = edited(tree, rng)
        elif kind == 1 and "entry" in tree:
            tree["entry"] = rng.choice(ENTRIES)
        elif kind == 2:
            size = rng.randrange(SIZE + 1)
            tree[rng.choice([key for key in ("head", "first", "second") if key in tree] or ["head"])] = (
                f"{size}:{ROOTS[size].hex()}"
            )
        elif kind == 3 and isinstance(tree.get("entry"), dict):
            tree["entry"] = {**tree["entry"], "number": rng.randrange(SIZE + 2)}
        elif isinstance(tree.get("path"), list):
            tree["path"] = (
                edited(tree["path"], rng) if rng.random() < 0.7 else [rng.choice(ROOTS).hex() for _ in range(3)]
            )
        if not isinstance(tree, dict):
            break
    data = compact(tree) + b"\n"
    taken = accepted(lambda: refuse_unless_holds(decode_proof(data)))
    if not taken:
        return ("a good proof is refused" if data in PROOFS else None), taken
    proof = decode_proof(data)
    if not _by_definition(proof):
        return "the definition does not lead to this root", taken
    if isinstance(proof, Consistency):
        lie = proof.second in [Head(n, r) for n, r in enumerate(ROOTS)] and proof.first.root != ROOTS[proof.first.size]
    else:
        lie = proof.head == Head(SIZE, ROOTS[SIZE]) and encode_entry(proof.entry) not in DATA
    return ("a proof of what is not so" if lie else None), taken


def _head(rng: random.Random) -> tuple[str | None, bool]:
    size = rng.randrange(SIZE + 1)
    text = f"{size}:{ROOTS[size].hex()}"
    changed = blind(text.encode(), rng).decode("latin-1")
    head = read_head(changed)
    right = re.fullmatch(r"(0|[1-9][0-9]{0,18}):[0-9a-f]{64}", changed, re.ASCII)
    allowed = bool(right) and int(changed.split(":")[0]) < 2**63
    if (head is not None) != allowed or (head is not None and str(head) != changed):
        return f"{changed!r} is read as {head}", head is not None
    return None, head is not None


FAMILIES: dict[str, Callable[[random.Random], tuple[str | None, bool]]] = {
    "blind log": _blind_log,
    "moved lines": _moved_lines,
    "rewritten log": _rewritten_log,
    "last line": _last_line,
    "blind proof": _blind_proof,
    "proof": _proof,
    "head": _head,
}


def batch(start: int, stop: int, seed: int) -> Counter[str]:
    counts: Counter[str] = Counter()
    for number in range(start, stop):
        try:
            one(number, seed, counts)
        except WronglyAcceptedError:
            raise
        except Exception as error:
            raise WronglyAcceptedError(f"{number}: {type(error).__name__}: {error}") from error
    return counts


def hunt(count: int, seed: int, jobs: int) -> Counter[str]:
    total: Counter[str] = Counter()
    step = max(1, min(500, count // (2 * jobs)))
    starts = range(0, count, step)
    with ProcessPoolExecutor(jobs) as pool:
        for counts in pool.map(batch, starts, [min(at + step, count) for at in starts], [seed] * len(starts)):
            total += counts
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description="Look at mutated release logs and proofs.")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    counts = hunt(options.count, options.seed, options.jobs)
    for name, number in sorted(counts.items()):
        print(f"{number:8} {name}")
    print(
        f"{options.count} mutants, seed {options.seed}: none accepted wrongly, none refused wrongly, no other failure"
    )


if __name__ == "__main__":
    main()
