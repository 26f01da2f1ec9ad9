"""Every finding code of packages: one fault each. SUIT manifest draft -37; clauses beside the tests."""

from collections.abc import Callable
from typing import Any

import pytest
from workshop import (
    Workshop,
    add_payload,
    at,
    codes,
    detached_radio,
    firmware,
    first,
    make,
    product,
    public_key,
    repacked,
    resealed,
    verdict,
    workshop,
)

from imgseal.demo.firmware import code
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.release import FirmwareFile
from imgseal.formats.cbor.strict import decode, encode
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest, encode_member
from imgseal.keys.p256 import ORDER
from imgseal.keys.trusted_keys import Trust
from imgseal.window import ByteView

MANIFEST_DIGEST = decode_envelope(workshop().package).digest.value


def package() -> bytes:
    return workshop().package


def another_verifier(shop: Workshop | None = None) -> Workshop:
    """A product whose devices do not have the exported device code: what the profile leaves out is judged as well."""
    shop = shop or workshop()
    return shop._replace(product=shop.product._replace(rules=shop.product.rules._replace(verifier="one of their own")))


def device(**changes: object) -> DeviceState:
    """A device that has run an earlier release."""
    state = fresh(workshop().product)._replace(
        fresh=False,
        hardware=3,
        sequence=16,
        counters={1: 5, 2: 3, 3: 1},
        current=at({1: 0, 2: 0, 3: 0}),
        battery_mwh=4000,
    )
    return state._replace(**changes)  # type: ignore[arg-type]


def edited(change: Callable[[Manifest], Manifest], **arguments: Any) -> bytes:
    """The package with a changed manifest, signed again; its severed members are put back inline first."""

    def edit(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        envelope = decode_envelope(package())
        from imgseal.formats.suit.commands import decode_sequence

        members = dict(manifest.members)
        members[labels.INSTALL] = decode_sequence(envelope.severed[labels.INSTALL], "install")
        members.pop(labels.TEXT)
        return encode_manifest(change(manifest._replace(members=members)))

    return repacked(package(), edit, severed=lambda _members: {}, **arguments)


def with_member(label: int, sequence: Sequence) -> Callable[[Manifest], Manifest]:
    return lambda manifest: manifest._replace(members={**manifest.members, label: sequence})


def member_of(manifest: Manifest, label: int) -> Sequence:
    member = manifest.members[label]
    assert isinstance(member, tuple)
    return member  # type: ignore[return-value]


def install_of(manifest: Manifest) -> Sequence:
    return member_of(manifest, labels.INSTALL)


def test_the_package_is_accepted() -> None:
    assert first(package()) == "accepted"
    assert first(package(), state=device()) == "accepted"
    assert first(edited(lambda manifest: manifest), another_verifier()) == "accepted"


def test_outside_the_device_profile() -> None:
    """Refused by the exported device code, so refused here; a remark where the product file names another verifier."""
    inline = edited(lambda manifest: manifest)
    said = verdict(inline)
    assert [(f.code, f.place.key, f.expected) for f in said.findings] == [
        ("rules.outside-profile", "install", "severed: its SHA-256 digest in the manifest")
    ]
    elsewhere = verdict(inline, another_verifier())
    assert elsewhere.accepted
    assert any(
        "outside the device profile at install" in note and "one of their own" in note for note in elsewhere.notes
    )
    assert verdict(package(), another_verifier()).notes == verdict(package()).notes


def test_every_image_inside_is_judged() -> None:
    subjects = {check.subject for check in verdict(package()).checks}
    assert subjects == {"package", "motor-a", "motor-b", "radio", "phrases"}


def test_every_byte_in_front_of_the_payloads_matters() -> None:
    """RFC 9124 section 4.2.7: wrapper, manifest and severed members; one bit of each byte."""
    end = package().index(b"#motor-a")
    accepted = []
    for offset in range(end):
        raw = bytearray(package())
        raw[offset] ^= 1 << offset % 8
        if first(bytes(raw)) == "accepted":
            accepted.append(offset)
    assert accepted == []


def test_signature_is_checked_before_the_manifest_is_parsed() -> None:
    """Draft section 6.2: a manifest that is no CBOR at all is refused for its digest."""
    raw = bytearray(package())
    at = raw.index(decode_envelope(package()).manifest)
    raw[at] = 0xFF
    found = codes(bytes(raw))
    assert found == ["signature.manifest-digest"]


@pytest.mark.parametrize("cut", [1, 10, 100, 1000, 20_000])
def test_cut_short(cut: int) -> None:
    assert first(package()[:-cut]) == "structure.envelope"


def test_bytes_behind_the_envelope() -> None:
    assert first(package() + b"\0") == "structure.envelope"


def test_unsigned_member() -> None:
    """Draft section 5.5; RFC 9124 section 4.2.15 THREAT.IMG.EXTRA."""
    assert first(add_payload(package(), "#zzzzzzzzzzzz", b"x")) == "structure.unsigned-member"


def test_unknown_members_of_the_envelope() -> None:
    for key in (1, 4, 24, 100, -1):
        tree = decode(package(), "x", tags=frozenset({107}))
        tree.value[key] = b"\x80"  # type: ignore[attr-defined]
        assert first(encode(tree)) == "structure.envelope", key


def test_severable_member_without_a_digest() -> None:
    """Draft section 5.4: nothing authenticates it."""
    raw = edited(lambda m: m)
    tree = decode(raw, "x", tags=frozenset({107}))
    tree.value[16] = encode([21, 2])  # type: ignore[attr-defined]
    assert first(encode(tree)) == "structure.unsigned-member"


@pytest.mark.parametrize("label", [labels.INSTALL, labels.TEXT])
def test_severed_member_changed_or_gone(label: int) -> None:
    def change(members: dict[int, bytes]) -> dict[int, bytes]:
        return {**members, label: members[label][:-1] + bytes([members[label][-1] ^ 1])}

    assert first(repacked(package(), severed=change)) == "signature.severed-member"
    gone = repacked(package(), severed=lambda m: {k: v for k, v in m.items() if k != label})
    # text may be taken out by anybody on the way, the install sequence is needed; its payloads are then unreferenced
    assert first(gone) == ("accepted" if label == labels.TEXT else "structure.unsigned-member")
    bare = repacked(gone, payloads=lambda _payloads: {})
    if label == labels.INSTALL:
        assert first(bare) == "rules.directive-failed"


def test_no_signature_and_wrong_key() -> None:
    """Draft section 8.3 asks for at least one block; RFC 9124 section 4.2.9."""
    assert first(repacked(package(), by=())) == "trust.no-signature"
    assert first(repacked(package(), by=("somebody",))) == "signature.wrong-key"
    found = verdict(repacked(package(), by=("keys/images",))).findings[0]
    assert found.code == "signature.wrong-key"
    assert "images only" in (found.hint or "")


def test_algorithms_are_local_policy() -> None:
    """RFC 9864 for ESP256; ES256 only where the product file says so."""
    es256 = repacked(package(), algorithm=-7)
    assert first(es256) == "trust.algorithm-not-allowed"
    both = make(product(lambda text: text.replace('algorithms = ["ESP256"]', 'algorithms = ["ESP256", "ES256"]')))
    assert first(es256, both) == "accepted"
    old = make(product(lambda text: text.replace('algorithms = ["ESP256"]', 'algorithms = ["ES256"]')))
    assert first(old.package, old) == "accepted"
    assert b"\xa1\x01\x26" in old.package[:300]
    assert first(old.package) == "trust.algorithm-not-allowed"


def test_two_signers() -> None:
    """RFC 9124 section 4.5.5 REQ.USE.MFST.MULTI_AUTH: distinct keys are counted."""
    shop = workshop()
    anchor = next(k for k in shop.trust.keys if k.source == "keys/packages.pub.pem")
    second = anchor._replace(public=public_key("second"), key_id=public_key("second").key_id, source="second")
    two = shop._replace(trust=Trust((*shop.trust.keys, second), 1, 2))
    assert first(package(), two) == "trust.too-few-signatures"
    assert first(repacked(package(), by=("keys/packages", "keys/packages")), two) == "trust.too-few-signatures"
    assert first(repacked(package(), by=("keys/packages", "second")), two) == "accepted"
    assert first(repacked(package(), by=("somebody", "second", "keys/packages")), two) == "trust.idle-block"


def test_revoked_limited_and_published_keys() -> None:
    key_id = public_key("keys/packages").key_id.hex()
    assert first(package(), state=fresh(workshop().product)._replace(revoked=(key_id,))) == "trust.key-revoked"
    classed = tuple(k._replace(classes=("other",)) for k in workshop().trust.keys if k.role == "packages")
    images = tuple(k for k in workshop().trust.keys if k.role == "images")
    assert first(package(), workshop()._replace(trust=Trust((*images, *classed), 1, 1))) == "trust.key-not-for-this"


def test_malformed_signature() -> None:
    raw = bytearray(package())
    at = raw.index(b"\xf6\x58\x40") + 3
    raw[at : at + 32] = ORDER.to_bytes(32)
    assert first(bytes(raw)) == "signature.malformed"


def test_development_and_release_do_not_mix() -> None:
    shop = make(product(), development=True)
    assert first(shop.package, shop) == "signature.wrong-key"
    assert first(shop.package, shop, development=True) == "accepted"
    assert first(package(), development=True) == "accepted"
    released_images = repacked(package(), by=("keys-dev/packages",))
    assert "rules.development-mixed" in codes(released_images, development=True)


def test_manifest_of_another_version_or_with_unknown_members() -> None:
    assert first(edited(lambda m: m._replace(version=2))) == "structure.manifest"

    def unknown(data: bytes) -> bytes:
        tree = decode(data, "manifest")
        assert isinstance(tree, dict)
        return encode({**tree, 17: b"\x80"})

    assert first(repacked(package(), unknown)) == "structure.manifest"


def shared_with(change: dict[int, object]) -> Callable[[Manifest], Manifest]:
    """Replace parameters of component 0 in the shared sequence."""

    def edit(manifest: Manifest) -> Manifest:
        shared = list(manifest.shared)
        assert isinstance(shared[1].argument, dict)
        shared[1] = Command(labels.OVERRIDE_PARAMETERS, {**shared[1].argument, **change})
        return manifest._replace(shared=tuple(shared))

    return edit


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({labels.VENDOR_ID: bytes(16)}, "identity.wrong-vendor"),
        ({labels.CLASS_ID: bytes(16)}, "identity.wrong-class"),
        ({labels.IMAGE_SIZE: 7023}, "digest.image"),
        ({labels.ENCRYPTION_INFO: b""}, "rules.command-unsupported"),
        ({99: 1}, "rules.command-unsupported"),
        ({labels.SOFT_FAILURE: True}, "rules.directive-failed"),
    ],
)
def test_parameters_that_do_not_fit(change: dict[int, object], code: str) -> None:
    """RFC 9124 section 4.2.3; draft sections 8.4.8 and 6.4."""
    assert first(edited(shared_with(change))) == code


def test_identity_has_to_be_checked_for_every_component() -> None:
    """Draft section 8.4.8: the shared sequence should check vendor and class; here it must."""
    found = edited(lambda m: m._replace(shared=tuple(c for c in m.shared if c.code != labels.CONDITION_CLASS)))
    assert first(found) == "identity.not-checked"
    assert first(edited(lambda m: m._replace(shared=m.shared[:-1]))) == "identity.not-checked"


@pytest.mark.parametrize(
    "identity",
    [(b"\x09", b"\x00"), (b"\x01", b"\x02"), (b"\x01",), (b"\x01", b"\x00", b"header"), (b"\x00", b"\x00"), ()],
)
def test_components_of_other_products(identity: tuple[bytes, ...]) -> None:
    """Draft section 6.2: an unknown component excludes the manifest."""
    assert first(edited(lambda m: m._replace(components=(identity, *m.components[1:])))) == "identity.unknown-component"


def test_unsupported_parts_of_suit() -> None:
    assert first(edited(lambda m: m._replace(component=(b"\x01",)))) == "rules.command-unsupported"
    assert first(edited(lambda m: m._replace(dependencies={1: {}}))) == "rules.command-unsupported"
    swap = (Command(labels.SET_COMPONENT_INDEX, 0), Command(labels.WAIT, 2))
    assert first(edited(lambda m: with_member(labels.INSTALL, swap + install_of(m))(m))) == "rules.command-unsupported"
    private = (Command(labels.SET_COMPONENT_INDEX, 0), Command(-300, 2))
    assert (
        first(edited(lambda m: with_member(labels.INSTALL, private + install_of(m))(m))) == "rules.command-unsupported"
    )


def test_conditions_belong_into_the_install_sequence() -> None:
    """Update management draft: battery and authorisation would be asked at each boot in the shared sequence."""
    ask = (
        Command(labels.OVERRIDE_PARAMETERS, {labels.UPDATE_PRIORITY: 0}),
        Command(labels.CONDITION_UPDATE_AUTHORISED, 15),
    )
    assert "rules.condition-misplaced" in codes(edited(lambda m: m._replace(shared=m.shared + ask)))


def test_hazard_needs_authorisation() -> None:
    """RFC 9124 section 4.2.11 THREAT.UPD.UNAPPROVED: moving parts ask first, before anything changes."""

    def without(manifest: Manifest) -> Manifest:
        install = tuple(c for c in install_of(manifest) if c.code != labels.CONDITION_UPDATE_AUTHORISED)
        return with_member(labels.INSTALL, install)(manifest)

    def last(manifest: Manifest) -> Manifest:
        install = install_of(manifest)
        ask = next(c for c in install if c.code == labels.CONDITION_UPDATE_AUTHORISED)
        rest = tuple(c for c in install if c is not ask)
        return with_member(labels.INSTALL, (*rest, ask))(manifest)

    assert first(edited(without)) == "rules.authorisation-missing"
    assert first(edited(last)) == "rules.authorisation-missing"


def test_validate_has_to_check_what_is_installed() -> None:
    def gone(manifest: Manifest) -> Manifest:
        return manifest._replace(members={k: v for k, v in manifest.members.items() if k != labels.VALIDATE})

    def less(manifest: Manifest) -> Manifest:
        validate = manifest.members[labels.VALIDATE]
        assert isinstance(validate, tuple)
        return with_member(labels.VALIDATE, validate[:2])(manifest)  # type: ignore[arg-type]

    assert first(edited(gone)) == "rules.validate-missing"
    assert first(edited(less)) == "rules.validate-missing"


@pytest.mark.parametrize(
    ("sequence", "digest", "expected"),
    [
        (16, None, "accepted"),
        (17, MANIFEST_DIGEST, "accepted"),
        (17, bytes(32), "rollback.sequence-reused"),
        (17, None, "rollback.sequence-reused"),
        (18, MANIFEST_DIGEST, "rollback.sequence-too-low"),
    ],
)
def test_sequence_numbers(sequence: int, digest: bytes | None, expected: str) -> None:
    """Draft section 8.4.2, RFC 9124 section 4.3.1: lower never, equal only for the identical manifest."""
    assert first(package(), state=device(sequence=sequence, manifest_digest=digest)) == expected


def test_counters_of_a_device() -> None:
    assert first(package(), state=device(counters={1: 7})) == "rollback.counter-too-low"
    assert first(package(), state=device(counters={2: 4})) == "rollback.counter-too-low"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"battery_mwh": 499}, "rules.battery-too-low"),
        ({"battery_mwh": 500}, "accepted"),
        ({"battery_mwh": None}, "accepted"),
        ({"authorised": False}, "rules.not-authorised"),
    ],
)
def test_battery_and_authorisation(changes: dict[str, object], expected: str) -> None:
    """Update management draft, conditions 26 and 27."""
    assert first(package(), state=device(**changes)) == expected


def test_slot_choice() -> None:
    """Condition 5: each build is linked for one slot, and the device takes the one that is free."""
    from workshop import firmware

    one = make(product(), files=[f for f in firmware() if f.name != "motorb.hex"])
    assert first(one.package, one, device(current=at({1: 1}))) == "accepted"
    assert first(one.package, one, device(current=at({1: 0}))) == "placement.no-slot"
    found = verdict(one.package, one)
    assert found.accepted
    assert any("motor-a" in note for note in found.notes)


def test_slots_have_to_be_asked_for() -> None:
    """Without condition 5 a manifest would overwrite whatever slot runs."""
    from workshop import firmware

    one = make(product(), files=[f for f in firmware() if f.name != "motorb.hex"])

    def careless(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        members = {label: member for label, member in manifest.members.items() if label != labels.TEXT}
        from imgseal.formats.suit.commands import decode_sequence

        members[labels.INSTALL] = decode_sequence(decode_envelope(one.package).severed[labels.INSTALL], "install")
        for label, member in members.items():
            if isinstance(member, tuple):
                kept = tuple(c for c in member if isinstance(c, Command) and c.code != labels.CONDITION_SLOT)
                members[label] = kept
        return encode_manifest(manifest._replace(members=members))

    raw = repacked(one.package, careless, severed=lambda _members: {})
    assert first(raw, one) == "placement.wrong-slot"
    assert first(raw, one, device(current=at({1: 0}))) == "placement.wrong-slot"
    assert first(raw, another_verifier(one), device(current=at({1: 1}))) == "accepted"


def test_starting_another_slot_than_the_installed_one() -> None:
    """The invoke sequence names the slot that the update was not installed to."""

    def edit(manifest: Manifest) -> Manifest:
        invoke = (Command(labels.SET_COMPONENT_INDEX, 1), Command(labels.INVOKE, 2))
        return with_member(labels.INVOKE_MEMBER, invoke)(manifest)

    assert first(edited(edit), state=device(current=at({1: 1}))) == "placement.wrong-slot"
    assert first(edited(edit), another_verifier(), device(current=at({1: 0}))) == "accepted"


@pytest.mark.parametrize("label", [labels.VALIDATE, labels.LOAD, labels.INVOKE_MEMBER])
def test_nothing_changes_at_boot(label: int) -> None:
    """Validate, load and invoke run at every boot; a write there would come behind the checks."""

    def edit(manifest: Manifest) -> Manifest:
        change = (
            Command(labels.SET_COMPONENT_INDEX, 2),
            Command(labels.OVERRIDE_PARAMETERS, {labels.CONTENT: b"x"}),
            Command(labels.WRITE, 2),
        )
        member = manifest.members.get(label, ())
        assert isinstance(member, tuple)
        return with_member(label, change + member)(manifest)  # type: ignore[operator]

    assert "rules.command-unsupported" in codes(edited(edit))


def test_fetching_before_anybody_is_asked() -> None:
    """A payload fetch sequence runs before the install sequence, where authorisation is asked."""

    def edit(manifest: Manifest) -> Manifest:
        fetch = (
            Command(labels.SET_COMPONENT_INDEX, 2),
            Command(labels.OVERRIDE_PARAMETERS, {labels.URI: "#radio"}),
            Command(labels.FETCH, 2),
        )
        return with_member(labels.PAYLOAD_FETCH, fetch)(manifest)

    assert first(edited(edit)) == "rules.authorisation-missing"


def test_flipped_payload() -> None:
    """RFC 9124 section 4.2.8: condition 3 stops the installation, and the image's own digest says it again."""
    raw = bytearray(package())
    raw[-10] ^= 1
    assert codes(bytes(raw)) == ["digest.image", "digest.payload"]


def test_unsealed_payload() -> None:
    """Boot trusts sealed images only: a signed package with bare firmware is refused."""
    bare = b"not sealed" * 100

    def edit(manifest: Manifest) -> Manifest:
        from imgseal.formats.suit.digest import sha256_digest

        shared = list(manifest.shared)
        last = shared[-3]
        assert isinstance(last.argument, dict)
        new = {**last.argument, labels.IMAGE_DIGEST: sha256_digest(bare), labels.IMAGE_SIZE: len(bare)}
        shared[-3] = Command(labels.OVERRIDE_PARAMETERS, new)
        return manifest._replace(shared=tuple(shared))

    raw = edited(edit, payloads=lambda p: {**p, "#phrases": bare})
    assert "structure.payload-not-sealed" in codes(raw)


def test_content_that_is_written_is_judged_too() -> None:
    """A write puts bytes into a component that no payload carries: the device would never start them."""
    bare = b"not sealed"

    def edit(manifest: Manifest) -> Manifest:
        from imgseal.formats.suit.digest import sha256_digest

        shared = list(manifest.shared)
        last = shared[-3]
        assert isinstance(last.argument, dict)
        new = {**last.argument, labels.IMAGE_DIGEST: sha256_digest(bare), labels.IMAGE_SIZE: len(bare)}
        shared[-3] = Command(labels.OVERRIDE_PARAMETERS, new)
        install = install_of(manifest)
        at = max(n for n, command in enumerate(install) if command.code == labels.FETCH)
        write = (Command(labels.OVERRIDE_PARAMETERS, {labels.CONTENT: bare}), Command(labels.WRITE, 2))
        validate = list(member_of(manifest, labels.VALIDATE))[:-2]
        members = {labels.INSTALL: (*install[: at + 1], *write, *install[at + 1 :]), labels.VALIDATE: tuple(validate)}
        return manifest._replace(shared=tuple(shared), members={**manifest.members, **members})

    assert "structure.payload-not-sealed" in codes(edited(edit))


def test_every_payload_of_a_component_is_judged() -> None:
    """Two payloads for one component, of which the first is spoiled: it does not hide behind the second."""

    def edit(manifest: Manifest) -> Manifest:
        install = install_of(manifest)
        at = max(n for n, command in enumerate(install) if command.code == labels.FETCH)
        first_fetch = (Command(labels.OVERRIDE_PARAMETERS, {labels.URI: "#other"}), Command(labels.FETCH, 2))
        return with_member(labels.INSTALL, (*install[: at - 1], *first_fetch, *install[at - 1 :]))(manifest)

    shop = another_verifier()
    good = edited(edit, payloads=lambda members: {**members, "#other": members["#phrases"]})
    assert first(good, shop) == "accepted"
    spoiled = edited(edit, payloads=lambda members: {**members, "#other": members["#phrases"][:-1] + b"\0"})
    assert codes(spoiled, shop) == ["digest.payload"]


def test_layers_that_disagree() -> None:
    """Component, slot, version: the manifest says one thing, the sealed image inside another."""
    shop = workshop()
    images = dict(shop.images)
    images["radio"] = resealed(images["radio"], lambda s: s._replace(component=9))
    from imgseal.formats.suit.digest import sha256_digest

    def swap(manifest: Manifest) -> Manifest:
        """Say that the package brings motor-b for motor-a's slot."""
        shared = list(manifest.shared)
        for position, slot in ((1, "motor-b"), (5, "motor-a")):
            argument = shared[position].argument
            assert isinstance(argument, dict)
            digest = sha256_digest(shop.images[slot])
            shared[position] = Command(labels.OVERRIDE_PARAMETERS, {**argument, labels.IMAGE_DIGEST: digest})
        return manifest._replace(shared=tuple(shared))

    def payloads(members: dict[str, bytes]) -> dict[str, bytes]:
        return {**members, "#motor-a": members["#motor-b"], "#motor-b": members["#motor-a"]}

    assert codes(edited(swap, payloads=payloads), another_verifier()) == ["identity.layers-disagree"] * 2


def test_version_condition() -> None:
    """Condition 28: another version in the manifest than in the image stops the validation."""

    def edit(manifest: Manifest) -> Manifest:
        from imgseal.formats.suit.commands import VersionMatch

        member = manifest.members[labels.VALIDATE]
        assert isinstance(member, tuple)
        validate: list[Command] = [command for command in member if isinstance(command, Command)]
        at = max(n for n, c in enumerate(validate) if c.code == labels.OVERRIDE_PARAMETERS)
        validate[at] = Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: VersionMatch(3, (9, 9, 9))})
        return with_member(labels.VALIDATE, tuple(validate))(manifest)

    assert first(edited(edit)) == "identity.layers-disagree"


def test_requirements_are_judged_on_the_resulting_set() -> None:
    from workshop import firmware

    shop = make(product(), files=[f for f in firmware() if f.component == "motor"])
    assert first(shop.package, shop) == "rules.requirement-not-met"
    radio = ByteView(workshop().images["radio"])
    state = device()
    assert first(shop.package, shop, state, contents={"radio": radio}) == "accepted"
    old = ByteView(resealed(workshop().images["radio"], lambda s: s._replace(version=s.version._replace(minor=2))))
    assert first(shop.package, shop, state, contents={"radio": old}) == "rules.requirement-not-met"


def test_commands_are_capped() -> None:
    """A manifest that would run for ever is stopped; limits.COMMANDS_RUN."""
    nest: Sequence = (Command(labels.SET_COMPONENT_INDEX, 0), Command(labels.CONDITION_VENDOR, 0))
    for _ in range(6):
        nest = tuple([Command(labels.SET_COMPONENT_INDEX, True)] + [Command(labels.RUN_SEQUENCE, nest)] * 3)
    assert first(edited(lambda m: m._replace(shared=m.shared + nest))) == "rules.limits"


def test_single_device() -> None:
    """Condition 24: a manifest for one device is refused on every other."""

    def edit(manifest: Manifest) -> Manifest:
        ask = (
            Command(labels.SET_COMPONENT_INDEX, 0),
            Command(labels.OVERRIDE_PARAMETERS, {labels.DEVICE_ID: bytes(range(16))}),
            Command(labels.CONDITION_DEVICE, 15),
        )
        return with_member(labels.INSTALL, install_of(manifest)[:3] + ask + install_of(manifest)[3:])(manifest)

    assert first(edited(edit)) == "identity.wrong-device"


def test_wrapped_digest_covers_the_head() -> None:
    """Draft section 8.3: the digest is over the byte string with its head (confirmed on all published envelopes)."""
    import hashlib

    content = encode_member((Command(21, 2),))
    assert wrapped_digest(content).value == hashlib.sha256(bytes([0x40 | len(content)]) + content).digest()


@pytest.mark.parametrize("size", [3, 300, 3000])
def test_what_cannot_be_read_says_what_to_do(size: int) -> None:
    """Findings that a reader's error becomes have a hint as all others."""
    for data in (package()[:size], workshop().images["radio"][:size]):
        findings = verdict(data).findings
        assert findings
        assert all(finding.hint for finding in findings)


def test_a_verdict_says_what_the_package_holds() -> None:
    """docs/cli.md: version and sequence of the release, each image with the slots it is for, and who signed."""
    assert verdict(package()).details == (
        ("release", "2.4.1"),
        ("sequence", "17"),
        ("image", "motor 2.4.1 for motor-a, motor-b"),
        ("image", "radio 1.3.2 for radio"),
        ("image", "phrases 1.0.4 for phrases"),
        ("signed by", "keys/packages.pub.pem"),
    )


def test_the_header_slot_is_installed_to_as_well() -> None:
    """Of a detached image both slots are; whoever asks what a package fills learns of either."""
    of = product(detached_radio)
    data = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    files = [file for file in firmware() if file.component != "radio"]
    shop = make(of, files=[*files, FirmwareFile("radio", "r", MemoryImage.from_bytes(0xC0000, data))])
    found = verdict(shop.package, shop)
    assert found.accepted, found.findings
    assert sorted(found.installs) == ["motor-a", "motor-b", "phrases", "radio", "radio-header"]
    alone = make(of, files=[FirmwareFile("radio", "r", MemoryImage.from_bytes(0xC0000, data))])
    assert sorted(verdict(alone.package, alone, partial=True).installs) == ["radio", "radio-header"]


def test_a_release_candidate_stays_one() -> None:
    """draft-ietf-suit-update-management-14: 2.4.1-rc.1 is [2, 4, 1, -1, 1]; read without its label it would be the release."""
    shop = make(product(lambda text: text.replace('version = "2.4.1"', 'version = "2.4.1-rc.1"')))
    manifest = decode_manifest(decode_envelope(shop.package).manifest)
    assert manifest.set_version == (2, 4, 1, -1, 1)
    assert decode_manifest(encode_manifest(manifest)) == manifest
    assert ("release", "2.4.1-rc.1") in verdict(shop.package, shop).details
