"""The device profile: the closed list of manifests that a device reads; docs/format/package.md, section "The profile".

The maker makes nothing else, the judge says when a package is outside, and seal_package.c reads nothing else. Given
components and their order there is one shape for each sequence, so that no order of commands is left to think about:
what a template does not show is outside.
"""

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from itertools import groupby, pairwise

from imgseal.formats.cbor.strict import is_integer
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, VersionMatch
from imgseal.formats.suit.component import OurComponent, ours
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.manifest import Manifest
from imgseal.formats.suit.shape import Shape
from imgseal.limits import DEVICE_KEY_BYTES, DEVICE_PARTS
from imgseal.records import NamedTuple
from imgseal.versions import Version

_U32 = 1 << 32
_SHA256 = -16
_POLICY = range(16)
_MEMBERS = {labels.VALIDATE, labels.INVOKE_MEMBER, labels.INSTALL, labels.TEXT}


class Departure(NamedTuple):
    """Where a package leaves the profile, and what stands there in the profile."""

    where: str
    expected: str
    found: str


class _Step(NamedTuple):
    """One command of a template: its code, what its argument has to be, and that in words."""

    code: int
    fits: Callable[[object], bool]
    words: str


_Template = list["_Step | tuple[_Template, _Template]"]
"""Commands in their order; a pair is a try-each with two branches."""


def departure(
    manifest: Manifest,
    install: Sequence | None,
    keys: Iterable[str],
    shapes: Mapping[int, Shape],
    *,
    ceilings: bool = True,
) -> Departure | None:
    """Say where a package first leaves the profile; None when it is inside.

    `install` is the install sequence that was severed, None where it was taken out of the envelope; `keys` are those of
    the integrated payloads, `shapes` the product's components by number. Without `ceilings` it may have more components
    and longer keys than the tables of devices hold: so much does the tool make for another verifier, and no more.
    """
    longest = DEVICE_KEY_BYTES if ceilings else _U32
    parts = [ours(identity) for identity in manifest.components]
    known = [part for part in parts if part is not None]
    if len(known) != len(parts):
        return Departure("common.components", "[component number, run slot index], perhaps with 'header'", "another")
    return (
        _frame(manifest, keys, DEVICE_PARTS if ceilings else _U32, longest)
        or _components(known, shapes)
        or _follow(manifest.shared, _shared(len(known)), "shared")
        or (None if install is None else _follow(install, _install(known, shapes, install, longest), "install"))
        or _member(manifest, labels.VALIDATE, [_validate(known, shapes)])
        or _member(manifest, labels.INVOKE_MEMBER, _invoke(known, shapes))
    )


def _frame(manifest: Manifest, keys: Iterable[str], most: int, longest: int) -> Departure | None:
    """Members, numbers and ceilings."""
    if not 0 <= manifest.sequence_number < _U32:
        return Departure("manifest.sequence", "a number below 2^32", str(manifest.sequence_number))
    others = [manifest.dependencies, manifest.component, manifest.reference_uri]
    if any(other is not None for other in others) or not _MEMBERS.issuperset(manifest.members):
        return Departure("manifest", "members 1, 2, 3, 6, 7, 9, 20 and 23", "others")
    for label in (labels.INSTALL, labels.TEXT):
        member = manifest.members.get(label)
        if (label == labels.INSTALL or member is not None) and not _sha256(member):
            name = labels.MANIFEST_MEMBERS[label]
            return Departure(name, "severed: its SHA-256 digest in the manifest", "inside, absent or another digest")
    if manifest.set_version is None or not _version(manifest.set_version):
        return Departure("set-version", _VERSION, str(manifest.set_version))
    count = 0
    for key in keys:
        count += 1
        if not _key(key, longest):
            return Departure("envelope", _KEY, ascii(key)[:80])
    if count > most or not 0 < len(manifest.components) <= most:
        found = f"{len(manifest.components)} components, {count} payloads"
        return Departure("common.components", f"1 to {DEVICE_PARTS} components and payloads", found)
    return None


def _components(parts: list[OurComponent], shapes: Mapping[int, Shape]) -> Departure | None:
    """Ascending, and header and payload of a detached image side by side."""
    where = "common.components"
    if any(before >= after for before, after in pairwise(parts)):
        return Departure(where, "identifiers in ascending order", "another order")
    for (number, slot), group in groupby(parts, key=lambda part: part[:2]):
        wanted = (False, True) if number in shapes and shapes[number].detached else (False,)
        if tuple(part.header for part in group) != wanted:
            expected = "payload and header" if len(wanted) > 1 else "one identifier"
            return Departure(where, f"{expected} for [{number}, {slot}]", "others")
    for number, numbered in groupby(parts, key=lambda part: part.number):
        slots = {part.slot for part in numbered}
        most = 2 if number in shapes and shapes[number].two_slots else 1
        if len(slots) > most:
            return Departure(where, f"as many run slots as component {number} has", f"{len(slots)}")
        if max(slots) >= most:
            return Departure(where, f"a run slot below {most} for component {number}", str(max(slots)))
    return None


def _follow(sequence: object, template: _Template, where: str) -> Departure | None:
    """Hold a sequence against its template; say the first command that differs."""
    commands = sequence if isinstance(sequence, tuple) and not isinstance(sequence, SuitDigest) else ()
    for number, step in enumerate(template):
        place = f"{where}[{number}]"
        if number >= len(commands):
            return Departure(place, _words(step), "the end of the sequence")
        code, argument = commands[number]
        found = labels.COMMANDS.get(code, f"command {code}")
        if isinstance(step, _Step):
            if code != step.code or not step.fits(argument):
                return Departure(place, _words(step), found if code != step.code else f"{found}: {argument}"[:80])
        elif code != labels.TRY_EACH or not isinstance(argument, tuple) or len(argument) != len(step):
            return Departure(place, _words(step), found)
        else:
            for index, branch in enumerate(step):
                below = _follow(argument[index], branch, f"{place}.branch[{index}]")
                if below is not None:
                    return below
    if len(commands) > len(template):
        code = commands[len(template)].code
        found = labels.COMMANDS.get(code, f"command {code}")
        return Departure(f"{where}[{len(template)}]", "the end of the sequence", found)
    return None


def _words(step: "_Step | tuple[_Template, _Template]") -> str:
    if isinstance(step, _Step):
        return f"{labels.COMMANDS[step.code]}: {step.words}"
    return f"{labels.COMMANDS[labels.TRY_EACH]}: a branch for each of the two run slots"


def _member(manifest: Manifest, label: int, templates: list[_Template]) -> Departure | None:
    """Hold a member of the manifest against its templates; the invoke member alone may be absent."""
    if label == labels.INVOKE_MEMBER and label not in manifest.members:
        return None
    sequence, name = manifest.members.get(label), labels.MANIFEST_MEMBERS[label]
    said = [_follow(sequence, template, name) for template in templates]
    return None if None in said else said[0]


# -- templates


def _shared(count: int) -> _Template:
    """Identity, digest and size of each component, and the conditions vendor and class."""
    out: _Template = []
    for index in range(count):
        out += [
            _index(index),
            _Step(labels.OVERRIDE_PARAMETERS, _identity, "vendor id, class id, SHA-256 digest and size"),
            _policy(labels.CONDITION_VENDOR),
            _policy(labels.CONDITION_CLASS),
        ]
    return out


def _install(parts: list[OurComponent], shapes: Mapping[int, Shape], sequence: Sequence, longest: int) -> _Template:
    """Authorisation and battery where they are asked for, then fetch and image match for each component."""
    out: _Template = [_index(0)]
    asks = (
        (labels.UPDATE_PRIORITY, range(-_U32, _U32), labels.CONDITION_UPDATE_AUTHORISED),
        (labels.MINIMUM_BATTERY, range(_U32), labels.CONDITION_MINIMUM_BATTERY),
    )
    for label, numbers, condition in asks:
        if len(sequence) > len(out) and _has(sequence[len(out)].argument, label):
            out += [_parameter(label, partial(_number, numbers=numbers), "a number below 2^32"), _policy(condition)]

    def steps(_part: OurComponent) -> _Template:
        uri = _parameter(labels.URI, partial(_key, longest=longest), _KEY)
        return [uri, _policy(labels.FETCH), _policy(labels.CONDITION_IMAGE_MATCH)]

    return out + _each(parts, shapes, steps)


def _validate(parts: list[OurComponent], shapes: Mapping[int, Shape]) -> _Template:
    """Image match for each component, and the version of what has one: an image, or its detached header."""

    def steps(part: OurComponent) -> _Template:
        out: _Template = [_policy(labels.CONDITION_IMAGE_MATCH)]
        if part.header or part.number not in shapes or not shapes[part.number].detached:
            out += [_parameter(labels.VERSION, _equal, f"equal to {_VERSION}"), _policy(labels.CONDITION_VERSION)]
        return out

    return _each(parts, shapes, steps)


def _invoke(parts: list[OurComponent], shapes: Mapping[int, Shape]) -> list[_Template]:
    """One component is started, whichever; of a detached image its payload."""
    numbers = dict.fromkeys(part.number for part in parts)
    return [_each(parts, shapes, lambda _part: [_policy(labels.INVOKE)], number, headers=False) for number in numbers]


def _each(
    parts: list[OurComponent],
    shapes: Mapping[int, Shape],
    steps: Callable[[OurComponent], _Template],
    only: int | None = None,
    *,
    headers: bool = True,
) -> _Template:
    """The steps for each part; two run slots of a component are the two branches of a try-each."""
    out: _Template = []
    indexed = [
        entry for entry in enumerate(parts) if only in (None, entry[1].number) and (headers or not entry[1].header)
    ]
    for number, group in groupby(indexed, key=lambda entry: entry[1].number):
        branches = []
        members = list(group)
        for _, branch in groupby(members, key=lambda entry: entry[1].slot):
            commands: _Template = []
            for index, part in branch:
                commands.append(_index(index))
                if number in shapes and shapes[number].two_slots:
                    commands += [_slot(part.slot), _policy(labels.CONDITION_SLOT)]
                commands += steps(part)
            branches.append(commands)
        if len(branches) == 1:
            out += branches[0]
        else:
            out += [_index(members[0][0]), (branches[0], branches[1])]
    return out


# -- arguments


def _index(index: int) -> _Step:
    return _Step(labels.SET_COMPONENT_INDEX, lambda value: value is not True and value == index, str(index))


def _slot(slot: int) -> _Step:
    return _parameter(labels.SLOT, lambda value: _number(value, range(slot, slot + 1)), str(slot))


def _policy(code: int) -> _Step:
    return _Step(code, lambda value: _number(value, _POLICY), "a reporting policy")


def _parameter(label: int, fits: Callable[[object], bool], words: str) -> _Step:
    def alone(argument: object) -> bool:
        return isinstance(argument, dict) and list(argument) == [label] and fits(argument[label])

    return _Step(labels.OVERRIDE_PARAMETERS, alone, f"{labels.PARAMETERS[label]} alone, {words}")


_KEY = f"a payload's key of 1 to {DEVICE_KEY_BYTES} visible ASCII characters"
_VERSION = "three numbers below 2^32, and for a stage -3, -2 or -1 and its number"


def _number(value: object, numbers: range) -> bool:
    return is_integer(value) and value in numbers


def _key(value: object, longest: int) -> bool:
    return isinstance(value, str) and 0 < len(value) <= longest and all("!" <= c <= "~" for c in value)


def _has(argument: object, label: int) -> bool:
    return isinstance(argument, dict) and label in argument


def _sha256(value: object) -> bool:
    return isinstance(value, SuitDigest) and value.algorithm == _SHA256


def _identity(argument: object) -> bool:
    if not isinstance(argument, dict) or set(argument) != _IDENTITY:
        return False
    sixteen = [argument[labels.VENDOR_ID], argument[labels.CLASS_ID]]
    return (
        all(isinstance(value, bytes) and len(value) == 16 for value in sixteen)
        and _sha256(argument[labels.IMAGE_DIGEST])
        and _number(argument[labels.IMAGE_SIZE], range(1, _U32))
    )


_IDENTITY = {labels.VENDOR_ID, labels.CLASS_ID, labels.IMAGE_DIGEST, labels.IMAGE_SIZE}


def _version(numbers: tuple[int, ...]) -> bool:
    try:
        Version.from_suit(list(numbers))
    except ValueError:
        return False
    return True


def _equal(value: object) -> bool:
    return isinstance(value, VersionMatch) and value.comparison == labels.VERSION_EQUAL and _version(value.version)
