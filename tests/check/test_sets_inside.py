"""Images inside a package are judged in the sets that installing it ends with; RFC 9124 section 4.2.4 (mixed components)."""

import functools
from types import SimpleNamespace
from unittest.mock import Mock

import pytest
from workshop import Workshop, at, codes, first, make, product, repacked, resealed

from imgseal.check import inside
from imgseal.check.inside import _holds, _images
from imgseal.device_state.device import fresh
from imgseal.findings import CheckResult
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.digest import sha256_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest
from imgseal.versions import Version


@functools.cache
def shop() -> Workshop:
    """The demo's product, whose radio runs beside this release of the motor and later ones only."""
    return make(
        product(lambda text: text.replace("[component.radio]\n", '[component.radio]\nneeds = { motor = ">=2.4.1" }\n'))
    )


def with_older_build(slot: str) -> bytes:
    """The package, with the build for one run slot of the motor of a version before; signed by the right keys."""
    index = ("motor-a", "motor-b").index(slot)
    old = resealed(shop().images[slot], lambda statement: statement._replace(version=Version(2, 4, 0)))

    def edit(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        shared = list(manifest.shared)
        argument = shared[4 * index + 1].argument
        assert isinstance(argument, dict)
        shared[4 * index + 1] = Command(
            labels.OVERRIDE_PARAMETERS, {**argument, labels.IMAGE_DIGEST: sha256_digest(old)}
        )
        return encode_manifest(_versions(manifest._replace(shared=tuple(shared)), index))

    return repacked(shop().package, edit, payloads=lambda members: {**members, f"#{slot}": old})


def _versions(manifest: Manifest, index: int) -> Manifest:
    """State the version before in the branch of one build."""
    validate = manifest.members[labels.VALIDATE]
    assert isinstance(validate, tuple)
    out: list[Command] = []
    for command in validate:
        assert isinstance(command, Command)
        if command.code == labels.TRY_EACH:
            branches: list[Sequence] = list(command.argument)  # type: ignore[call-overload]
            branches[index] = tuple(
                Command(c.code, {labels.VERSION: VersionMatch(labels.VERSION_EQUAL, (2, 4, 0))})
                if isinstance(c.argument, dict) and labels.VERSION in c.argument
                else c
                for c in branches[index]
            )
            out.append(Command(command.code, tuple(branches)))
        else:
            out.append(command)
    return manifest._replace(members={**manifest.members, labels.VALIDATE: tuple(out)})


def test_each_choice_of_slots_is_a_set() -> None:
    """Whichever slot of the motor is free on a fresh device, the radio has to run beside the build for it."""
    assert first(shop().package, shop()) == "accepted"
    for slot in ("motor-a", "motor-b"):
        assert codes(with_older_build(slot), shop()) == ["rules.requirement-not-met"], slot


@pytest.mark.parametrize("running", [None, 0, 1])
@pytest.mark.parametrize("slot", ["motor-a", "motor-b"])
def test_a_build_for_other_devices_is_what_its_digest_names(slot: str, running: int | None) -> None:
    """Whichever slot a device runs: half of the fleet would refuse the package, and nothing signed names those bytes."""
    state = fresh(shop().product)._replace(hardware=3)
    if running is not None:
        state = state._replace(fresh=False, current=at({1: running, 2: 0, 3: 0}))
    assert codes(shop().package, shop(), state) == []
    other = resealed(shop().images[slot], lambda statement: statement._replace(source_revision=b"another"))
    spoiled = repacked(shop().package, payloads=lambda members: {**members, f"#{slot}": other})
    assert codes(spoiled, shop(), state) == ["digest.image"]


def test_what_an_installation_holds_is_found_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each image is held against each result once, not once more for every other image."""
    parts = [OurComponent(number, 0, header=True) for number in range(1, 21)]
    contents = {part: memoryview(b"%d" % part.number) for part in parts}
    subject = SimpleNamespace(
        parts=parts,
        plans=[SimpleNamespace(uris=[f"#{part.number}"]) for part in parts],
        envelope=SimpleNamespace(payloads={f"#{part.number}": contents[part] for part in parts}),
        installed=[],
        results=[contents, dict(list(contents.items())[:7]), {}],
    )
    holds = Mock(side_effect=_holds)
    monkeypatch.setattr(inside, "_holds", holds)
    found = inside.brought(subject, {0: Version(1, 0, 0)})  # type: ignore[arg-type]
    assert [each.part for each in found] == parts
    assert holds.call_count == len(parts) * len(subject.results)


@pytest.mark.parametrize(
    ("headers", "payloads", "refused"), [(8, 8, False), (9, 8, True), (64, 1, False), (13, 5, True)]
)
def test_pairs_of_header_and_payload_have_a_limit(headers: int, payloads: int, refused: bool) -> None:
    """limits.DETACHED_PAIRS; the finding says how many there are."""
    parts = [OurComponent(2, 0, header=True), OurComponent(2, 0, header=False)]
    uris = [[f"#h{n}" for n in range(headers)], [f"#p{n}" for n in range(payloads)]]
    subject = SimpleNamespace(
        parts=parts,
        plans=[SimpleNamespace(uris=each) for each in uris],
        envelope=SimpleNamespace(payloads={uri: memoryview(uri.encode()) for each in uris for uri in each}),
        installed=[],
    )
    found = list(_images(subject))  # type: ignore[arg-type]
    results = [image for _, _, image in found if isinstance(image, CheckResult)]
    if not refused:
        assert (len(found), results) == (headers * payloads, [])
        return
    (finding,) = results[0].findings
    assert (finding.code, finding.expected, finding.found) == ("rules.limits", "at most 64", str(headers * payloads))


def detached_phrases(text: str) -> str:
    """The demo's product file with detached headers for the phrases."""
    text = text.replace('run = ["phrases"]\n', 'run = ["phrases"]\nheader = ["phrases-header"]\n')
    slot = '[slot.phrases-header]\nmemory = "nor"\nat = 0x4_0000\nsize = "64 KiB"\n\n[slot.phrases]'
    return text.replace("[slot.phrases]", slot)


def test_a_detached_payload_may_begin_like_a_sealed_image() -> None:
    """What is behind a detached header is data: the device does not ask what it looks like."""
    of = product(detached_phrases)
    link = of.slot_base("phrases")
    data = MAGIC + bytes(range(256)) * 8
    files = [FirmwareFile("phrases", "phrases.bin", MemoryImage.from_bytes(link, data))]
    raw = make(of, files=files).package
    assert data in raw
    assert first(raw, make(of, files=files)) == "accepted"
