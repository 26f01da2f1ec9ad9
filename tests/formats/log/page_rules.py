"""What docs/format/release-log.md allows in a log, once more: shapes of entries, and what follows from those before them.

`legal` holds parsed entries against the page; nothing of imgseal is asked.
"""

import itertools
import re
from collections.abc import Callable
from typing import Any

from log_book import compact
from mixed_book import Floors, counters_of, follow, line_of, stated

Rule = Callable[[Any], bool]


def whole(least: int, most: int) -> Rule:
    return lambda value: type(value) is int and least <= value <= most


def text(most: int, least: int = 1) -> Rule:
    return lambda value: isinstance(value, str) and re.fullmatch(rf"[ !#-\[\]-~]{{{least},{most}}}", value) is not None


def hexes(*sizes: int) -> Rule:
    """So many bytes in hex."""
    return lambda value: (
        isinstance(value, str) and len(value) // 2 in sizes and re.fullmatch("([0-9a-f]{2})*", value) is not None
    )


def version(value: Any) -> bool:
    match = isinstance(value, str) and re.fullmatch(
        r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-(alpha|beta|rc)\.(0|[1-9]\d*))?", value
    )
    if not match:
        return False
    return all(int(part) < 1 << 32 for part in match.groups()[:3]) and int(match[6] or 0) < (1 << 24) - 1


def several(rule: Rule, least: int, most: int, by: Callable[[Any], Any] | None = None) -> Rule:
    """An array; its values rise by something."""

    def holds(value: Any) -> bool:
        if not (isinstance(value, list) and least <= len(value) <= most and all(map(rule, value))):
            return False
        order = [by(each) for each in value] if by else []
        return all(before < after for before, after in itertools.pairwise(order))

    return holds


def null_or(rule: Rule) -> Rule:
    return lambda value: value is None or rule(value)


def thing(keys: dict[str, Rule], spare: dict[str, Rule] | None = None) -> Rule:
    """An object with these keys in this order, and behind them those of `spare` that are there."""

    def holds(value: Any) -> bool:
        if not isinstance(value, dict):
            return False
        wanted = {**keys, **{key: rule for key, rule in (spare or {}).items() if key in value}}
        return list(value) == list(wanted) and all(rule(value[key]) for key, rule in wanted.items())

    return holds


def pair(first: Rule, second: Rule) -> Rule:
    return lambda value: isinstance(value, list) and len(value) == 2 and first(value[0]) and second(value[1])


def itself(value: Any) -> Any:
    return value


U32, U63, U64 = whole(0, 2**32 - 1), whole(0, 2**63 - 1), whole(0, 2**64 - 1)
NAME, MAYBE = text(256), text(256, 0)
KEY, DIGEST, CLASS = hexes(16), hexes(32), hexes(16)
REVISION = hexes(*range(33))


def keys(value: Any) -> bool:
    return several(KEY, 1, 16)(value) and len(set(value)) == len(value)


def images(value: Any) -> bool:
    image = thing(
        {"component": whole(1, 255), "name": NAME, "slot": NAME, "version": version, "counter": U32,
         "statement": DIGEST, "keys": keys}
    )  # fmt: skip
    if not several(image, 1, 512)(value):
        return False
    components = [each["component"] for each in value]
    return components == sorted(components) and len({each["slot"] for each in value}) == len(value)


def revisions(value: Any) -> bool:
    return pair(whole(0, 0xFFFF), whole(0, 0xFFFF))(value) and value[0] <= value[1]


def layout(value: Any) -> bool:
    component = thing(
        {"number": whole(1, 255), "name": NAME, "kind": NAME, "core": MAYBE, "header_block": U32,
         "run": several(pair(NAME, U64), 0, 2), "header": several(NAME, 0, 2), "staging": MAYBE, "keep": MAYBE}
    )  # fmt: skip
    slot = thing(
        {"name": NAME, "memory": NAME, "base": U64, "address": U64, "size": whole(1, 2**64 - 1), "holds": MAYBE}
    )
    shape = thing(
        {"class": MAYBE, "revision": U32, "records": whole(1, 255),
         "components": several(component, 1, 255, lambda each: each["number"]),
         "slots": several(slot, 1, 512, lambda each: each["name"])},
        {"bootloader": version, "hardware": revisions},
    )  # fmt: skip
    if not shape(value):
        return False
    there = {each["name"] for each in value["slots"]} | {""}
    return all(
        {*(slot for slot, _ in each["run"]), *each["header"], each["staging"], each["keep"]} <= there
        for each in value["components"]
    )


def packages(members: dict[str, Rule]) -> dict[str, Rule]:
    return {"packages": several(thing({"class": CLASS, "variant": MAYBE, **members}), 1, 256, line_of)}


def anchors(value: Any) -> bool:
    set_of = several(KEY, 0, 64, itself)
    return thing(
        {"images": set_of, "packages": set_of, "need_images": whole(1, 255), "need_packages": whole(1, 255),
         "apex": hexes(0, 16), "contingency": hexes(0, 16)}
    )(value)  # fmt: skip


PACKAGE: dict[str, Rule] = {"manifest": DIGEST, "keys": keys, "images": images}
ABOUT: dict[str, Rule] = {"vendor": text(253), "product": text(64), "version": version, "sequence": U32}
WHY: dict[str, Rule] = {"again": MAYBE, "unrecorded": MAYBE}
RELEASE: dict[str, Rule] = {
    **ABOUT, "channel": text(64, 0), "revision": REVISION, **WHY, "reserved": null_or(U63), "witness": null_or(U63),
    "bootloader": null_or(version), "anchors": null_or(anchors), **packages({**PACKAGE, "layout": null_or(layout)}),
}  # fmt: skip
KINDS: dict[str, dict[str, Rule]] = {
    "release": RELEASE,
    "promotion": {"from": U63, **RELEASE},
    "reservation": {
        **ABOUT, "channel": text(64, 0), "revision": REVISION, **WHY, "witness": null_or(U63),
        **packages({"images": images}),
    },
    "surrender": {"entry": U63, "why": text(256)},
    "withdrawal": {"entry": U63, "why": text(256), **packages({"manifest": DIGEST})},
    "signature": {"entry": U63, "manifest": DIGEST, "keys": keys},
    "delivery": {
        "entry": U63, "manifest": DIGEST, "delivery": DIGEST, "bases": several(DIGEST, 0, 99, itself), "keys": keys,
    },
    "anchors": {
        "class": CLASS, "variant": MAYBE, "digest": DIGEST, "set": U32, "images": several(KEY, 0, 64, itself),
        "packages": several(KEY, 0, 64, itself), "deliveries": several(KEY, 1, 64, itself), "revoked": several(KEY, 0, 64, itself), "signer": KEY,
    },
}  # fmt: skip
SPARE = {"anchors": {"deliveries"}}
"""Kind -> keys that need not be there."""


def is_entry(entry: Any) -> bool:
    """Whether an entry has a shape of the page; the floors are worked out."""
    if not isinstance(entry, dict):
        return False
    number, kind = entry.get("format"), entry.get("kind")
    begin: dict[str, Rule] = {"format": whole(1, 3)}
    if type(number) is int and number in (1, 2):
        stated: dict[str, Rule] = {"bootloader": version} if number == 2 else {}
        members = {
            "number": U63, **ABOUT, "built": U63, "revision": REVISION, "tool": text(64), **stated, **packages(PACKAGE),
        }  # fmt: skip
    elif isinstance(kind, str) and kind in KINDS:
        members = {"kind": itself, "number": U63, "made": U63, "tool": text(64)}
        absent = SPARE.get(kind, set()) - set(entry)
        members |= {key: rule for key, rule in KINDS[kind].items() if key not in absent}
    else:
        return False
    return thing({**begin, **members, "least": lambda value: isinstance(value, list)})(entry)


def legal(entries: list[Any], offsets: list[int]) -> bool:
    """Whether these entries may follow each other in a log, with lines that begin at these offsets."""
    floors: Floors = {}
    released: dict[int, set[str]] = {}
    newest = 0
    for number, (entry, at) in enumerate(zip(entries, offsets, strict=True)):
        if not is_entry(entry) or entry["number"] != number or entry["format"] < (3 if newest == 3 else 1):
            return False
        newest = max(newest, entry["format"])
        if not _follows(entry, floors, released):
            return False
        follow(floors, entry, at)
        if compact(entry["least"]) != compact(stated(floors, entry)):
            return False
    return True


def _follows(entry: dict[str, Any], floors: Floors, released: dict[int, set[str]]) -> bool:
    kind = entry.get("kind", "release")
    if kind == "surrender":
        return any(row["entry"] == entry["entry"] for floor in floors.values() for row in floor["open"])
    if kind in ("signature", "delivery"):
        return entry["manifest"] in released.get(entry["entry"], ())
    if kind == "withdrawal":
        known = all(floors.get(line_of(each), {}).get("manifest") for each in entry["packages"])
        return known and {each["manifest"] for each in entry["packages"]} <= released.get(entry["entry"], set())
    if kind == "anchors":
        return True
    if kind == "promotion" and entry["from"] not in released:
        return False
    if not all(_may_follow(entry, package, floors.get(line_of(package))) for package in entry["packages"]):
        return False
    if kind != "reservation":
        released[entry["number"]] = {package["manifest"] for package in entry["packages"]}
    return True


def _may_follow(entry: dict[str, Any], package: dict[str, Any], floor: dict[str, Any] | None) -> bool:
    """Whether a package has numbers that its class and variant may have."""
    stated = package.get("layout") is not None or (floor is not None and floor["layout"] is not None)
    if entry["format"] == 3 and entry["kind"] != "reservation" and not stated:
        return False
    if entry.get("reserved") is not None:
        numbers = {"sequence": entry["sequence"], "counters": counters_of(package)}
        return floor is not None and {"entry": entry["reserved"], **numbers} in floor["open"]
    if floor is None:
        return True
    if (floor["manifest"] and entry["sequence"] <= floor["sequence"]) or entry["sequence"] <= floor["given"]:
        return False
    held = [floor["counters"], *(row["counters"] for row in floor["open"])]
    return all(
        image["counter"] >= counter
        for image in package["images"]
        for counters in held
        for component, counter in counters
        if component == image["component"]
    )
