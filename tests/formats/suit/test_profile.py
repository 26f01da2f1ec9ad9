"""The device profile (docs/format/package.md): what pack makes is inside, and no other order of its commands is."""

import random
from collections import Counter
from itertools import combinations

import pytest
from workshop import detached_radio, firmware, make, product, workshop

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch, decode_sequence
from imgseal.formats.suit.digest import sha256_digest
from imgseal.formats.suit.envelope import Envelope, decode_envelope
from imgseal.formats.suit.manifest import Manifest, decode_manifest
from imgseal.formats.suit.profile import Departure, departure
from imgseal.formats.suit.shape import Shape

OF = product(detached_radio)
SHAPES = Shape.of(OF.components.values())
SECTIONS = ("shared", labels.INSTALL, labels.VALIDATE, labels.INVOKE_MEMBER)


@pytest.fixture(scope="module")
def envelope() -> Envelope:
    """Both builds of the motor, the radio with a detached header, phrases."""
    return decode_envelope(make(OF).package)


def parts_of(envelope: Envelope) -> tuple[Manifest, Sequence]:
    manifest = decode_manifest(envelope.manifest)
    return manifest, decode_sequence(envelope.severed[labels.INSTALL], "install")


def ask(manifest: Manifest, install: Sequence | None, keys: tuple[str, ...] = ("#motor-a",)) -> Departure | None:
    return departure(manifest, install, keys, SHAPES)


def replaced(manifest: Manifest, install: Sequence, section: object, sequence: Sequence) -> tuple[Manifest, Sequence]:
    """The package with one sequence exchanged."""
    if section == "shared":
        return manifest._replace(shared=sequence), install
    if section == labels.INSTALL:
        return manifest, sequence
    assert isinstance(section, int)
    return manifest._replace(members={**manifest.members, section: sequence}), install


def section_of(manifest: Manifest, install: Sequence, section: object) -> Sequence:
    if section == "shared":
        return manifest.shared
    if section == labels.INSTALL:
        return install
    found = manifest.members[section]  # type: ignore[index]
    assert isinstance(found, tuple)
    return tuple(c for c in found if isinstance(c, Command))


def test_what_pack_makes_is_inside(envelope: Envelope) -> None:
    manifest, install = parts_of(envelope)
    assert ask(manifest, install, tuple(envelope.payloads)) is None
    assert ask(manifest, None, tuple(envelope.payloads)) is None  # severed members may be taken out
    demo = decode_envelope(workshop().package)
    shapes = Shape.of(workshop().product.components.values())
    assert departure(*parts_of(demo), tuple(demo.payloads), shapes) is None


def test_a_manifest_says_the_shapes_of_its_components() -> None:
    """Where there is no product file: of every choice of builds, the first slot of two alone among them."""
    files = firmware()
    for size in range(1, len(files) + 1):
        for chosen in combinations(files, size):
            package = decode_envelope(make(OF, files=list(chosen)).package)
            manifest, install = parts_of(package)
            said = Shape.said_by(manifest)
            assert said == {number: SHAPES[number] for number in said}, chosen
            assert departure(manifest, install, tuple(package.payloads), said) is None
            motor = chosen[0].component == "motor"
            for number in said if motor else ():
                other = {**said, number: said[number]._replace(two_slots=not said[number].two_slots)}
                assert departure(manifest, install, (), other) is not None, number


def changes(sequence: Sequence, rng: random.Random) -> tuple[str, Sequence]:
    """One command left out, doubled, moved, of another code or with another argument; in a branch where there is one."""
    at = rng.randrange(len(sequence))
    code, argument = sequence[at]
    if code == labels.TRY_EACH and rng.random() < 0.9:
        assert isinstance(argument, tuple)
        which = rng.randrange(len(argument))
        kind, branch = changes(argument[which], rng)
        inner = (*argument[:which], branch, *argument[which + 1 :])
        return f"branch: {kind}", (*sequence[:at], Command(code, inner), *sequence[at + 1 :])
    kind = rng.choice(("left out", "doubled", "moved", "another code", "another argument", "one more"))
    before, after = sequence[:at], sequence[at + 1 :]
    if kind == "left out":
        return kind, (*before, *after)
    if kind == "doubled":
        return kind, (*before, sequence[at], *sequence[at:])
    if kind == "moved":
        rest = [*before, *after]
        rest.insert(rng.randrange(len(rest) + 1), sequence[at])
        return kind, tuple(rest)
    if kind == "another code":
        other = rng.choice([c for c in labels.COMMANDS if c not in (code, *STRUCTURED)])
        return kind, (*before, Command(other, argument), *after)
    if kind == "one more":
        return kind, (*before, rng.choice(MORE), *sequence[at:])
    return kind, (*before, Command(code, other_argument(argument, rng)), *after)


STRUCTURED = (labels.TRY_EACH, labels.RUN_SEQUENCE, labels.OVERRIDE_PARAMETERS, labels.SET_COMPONENT_INDEX)
HERE = Command(labels.SET_COMPONENT_INDEX, 0)
MORE = (
    HERE,
    Command(labels.SET_COMPONENT_INDEX, True),
    Command(labels.SET_COMPONENT_INDEX, (0, 1)),
    Command(labels.CONDITION_IMAGE_MATCH, 15),
    Command(labels.CONDITION_UPDATE_AUTHORISED, 15),
    Command(labels.CONDITION_ABORT, 0),
    Command(labels.RUN_SEQUENCE, (HERE,)),
    Command(labels.TRY_EACH, ((HERE,), (HERE,))),
    Command(labels.OVERRIDE_PARAMETERS, {labels.IMAGE_DIGEST: sha256_digest(b"")}),
    Command(labels.OVERRIDE_PARAMETERS, {labels.STRICT_ORDER: False}),
    Command(-300, 2),
)


def other_argument(argument: object, rng: random.Random) -> object:
    """An argument that no device expects there."""
    if isinstance(argument, dict):
        changed = dict(argument)
        label = rng.choice(sorted(changed))
        kind = rng.randrange(3)
        if kind == 0 and len(changed) > 1:
            del changed[label]
        elif kind == 1:
            changed[labels.SOFT_FAILURE] = True
        else:
            odd: tuple[object, ...] = (None, True, -1, 1 << 32, "", b"x" * 15, "k" * 65, VersionMatch(2, (1, 0, 0)))
            changed[label] = rng.choice([value for value in odd if (label, value) != (labels.UPDATE_PRIORITY, -1)])
        return changed
    return rng.choice((16, -1, 1 << 32, True, None, 255))


def test_no_other_order_is_inside(envelope: Envelope) -> None:
    """Generated: whatever is changed in a sequence that is inside is outside, unless the sequence is the same again."""
    manifest, install = parts_of(envelope)
    rng, tried = random.Random(12), Counter[str]()
    for _ in range(6000):
        section = rng.choice(SECTIONS)
        sequence = section_of(manifest, install, section)
        kind, changed = changes(sequence, rng)
        if changed == sequence:
            continue
        tried[kind.removeprefix("branch: ")] += 1
        tried["in a branch"] += kind.startswith("branch")
        said = ask(*replaced(manifest, install, section, changed))
        if kind.endswith("left out") and said is None:
            # the two questions that need not be asked are the only ones that a package can be without
            pytest.fail(f"{section}: {kind}")
        assert said is not None, (section, kind, changed)
        assert said.expected
    assert min(tried.values()) > 200, tried


def test_frame(envelope: Envelope) -> None:
    """Members, numbers, ceilings and the list of components."""
    manifest, install = parts_of(envelope)
    digest = sha256_digest(b"x")
    without = {k: v for k, v in manifest.members.items() if k != labels.VALIDATE}
    components = manifest.components
    cases: tuple[tuple[str, Manifest], ...] = (
        ("manifest.sequence", manifest._replace(sequence_number=1 << 32)),
        ("manifest", manifest._replace(reference_uri="https://example.invalid/")),
        ("manifest", manifest._replace(dependencies={1: {}})),
        ("manifest", manifest._replace(component=components[0])),
        ("manifest", manifest._replace(members={**manifest.members, labels.LOAD: (HERE,)})),
        ("manifest", manifest._replace(members={**manifest.members, labels.PAYLOAD_FETCH: digest})),
        ("install", manifest._replace(members={**manifest.members, labels.INSTALL: install})),
        ("install", manifest._replace(members={**manifest.members, labels.INSTALL: digest._replace(algorithm=-43)})),
        ("text", manifest._replace(members={**manifest.members, labels.TEXT: {}})),
        ("validate[0]", manifest._replace(members=without)),
        ("set-version", manifest._replace(set_version=None)),
        ("set-version", manifest._replace(set_version=(1, 2))),
        ("set-version", manifest._replace(set_version=(1, 2, 3, -4, 1))),
        ("set-version", manifest._replace(set_version=(1, 2, 3, -1, 0xFF_FFFF))),
        ("common.components", manifest._replace(components=components[::-1])),
        ("common.components", manifest._replace(components=components[1:] + components[:1])),
        ("common.components", manifest._replace(components=(*components, components[-1]))),
        ("common.components", manifest._replace(components=tuple(c for c in components if len(c) == 2))),
        ("common.components", manifest._replace(components=(*components, (b"\x09", b"\0", b"other")))),
        ("common.components", manifest._replace(components=())),
        ("common.components", manifest._replace(components=tuple((bytes([n]), b"\0") for n in range(1, 34)))),
    )
    for where, changed in cases:
        said = ask(changed, install)
        assert said is not None, where
        assert said.where == where, said
    for key in ("", "k" * 65, "über", "a b", "a\0"):
        assert ask(manifest, install, ("#motor-a", key)) is not None, key
    assert ask(manifest, install, ("k" * 64,)) is None
    assert ask(manifest, install, tuple(f"#{n}" for n in range(33))) is not None


def test_questions_may_be_left_out(envelope: Envelope) -> None:
    """Authorisation and battery are asked for where the product file says so; whether they must be is another check."""
    manifest, install = parts_of(envelope)
    assert [c.code for c in install[:5]] == [12, 20, 27, 20, 26]
    for kept in (install[:1] + install[3:], install[:3] + install[5:], install[:1] + install[5:]):
        assert ask(manifest, kept) is None
    said = ask(manifest, install[:1] + install[3:5] + install[1:3] + install[5:])
    assert said is not None
    assert said.where == "install[3]"


def test_text_and_start_may_be_absent(envelope: Envelope) -> None:
    manifest, install = parts_of(envelope)
    for label in (labels.TEXT, labels.INVOKE_MEMBER):
        assert (
            ask(manifest._replace(members={k: v for k, v in manifest.members.items() if k != label}), install) is None
        )


@pytest.mark.parametrize(
    ("key", "inside"),
    [
        ("", False),
        ("a", True),
        ("!", True),
        ("~", True),
        (" ", False),
        ("\x7f", False),
        ("k" * 64, True),
        ("k" * 65, False),
    ],
)
def test_keys_of_payloads(envelope: Envelope, key: str, inside: bool) -> None:
    """docs/format/package.md: 1 to 64 printable characters of ASCII, no space."""
    manifest, install = parts_of(envelope)
    found = ask(manifest, install, (key,))
    assert (found is None, None if found is None else found.where) == (inside, None if inside else "envelope")
