"""Cases of update packages: one fault each in envelope, manifest, payloads, or between package and device."""

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from image_cases import DAYS, Case, device, held
from kit_base import firmware, good, image, product, resealed, signer
from workshop import add_payload, make, repacked

from imgseal.formats.cbor.strict import Tag, bstr_head, decode, encode, read_head
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch, decode_sequence
from imgseal.formats.suit.digest import sha256_digest
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest, encode_member
from imgseal.formats.suit.text import decode_text
from imgseal.keys.p256 import ORDER
from imgseal.keys.untrusted import published_signer

Change = Callable[[Manifest], Manifest]
RADIO, TABLE = 2, 3
"""Indices of components in the manifest of the good package."""


def edited(change: Change, package: bytes | None = None, *, inline: bool = False, **arguments: Any) -> bytes:
    """A package with a changed manifest, signed again; the install sequence is severed as before, or stays inside."""
    raw = good().package if package is None else package
    severed: dict[int, bytes] = {}

    def edit(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        members = dict(manifest.members)
        members[labels.INSTALL] = decode_sequence(decode_envelope(raw).severed[labels.INSTALL], "install")
        members.pop(labels.TEXT)
        manifest = change(manifest._replace(members=members))
        install = manifest.members.get(labels.INSTALL)
        if install is not None and not inline:
            severed[labels.INSTALL] = encode_member(install)
            digest = wrapped_digest(severed[labels.INSTALL])
            manifest = manifest._replace(members={**manifest.members, labels.INSTALL: digest})
        return encode_manifest(manifest)

    return repacked(raw, edit, severed=lambda _members: severed, **arguments)


def member(manifest: Manifest, label: int) -> tuple[Command, ...]:
    found = manifest.members.get(label, ())
    assert isinstance(found, tuple)
    return tuple(c for c in found if isinstance(c, Command))


def put(label: int, sequence: Sequence) -> Change:
    return lambda m: m._replace(members={**m.members, label: sequence})


def in_front(label: int, *commands: Command) -> Change:
    return lambda m: put(label, (Command(labels.SET_COMPONENT_INDEX, 0), *commands, *member(m, label)))(m)


def shared(index: int, change: dict[int, object]) -> Change:
    """Other parameters for the component with this index in the shared sequence."""

    def edit(manifest: Manifest) -> Manifest:
        commands = list(manifest.shared)
        old = commands[4 * index + 1].argument
        assert isinstance(old, dict)
        commands[4 * index + 1] = Command(labels.OVERRIDE_PARAMETERS, {**old, **change})
        return manifest._replace(shared=tuple(commands))

    return edit


def _with_bill(raw: bytes) -> bytes:
    """The good package with a bill of materials in its text (docs/decisions/013-sbom.md), signed again."""
    envelope = decode_envelope(raw)
    text = decode_text(envelope.severed[labels.TEXT], "text")
    words = "CycloneDX 1.6, 48231 bytes, sha-256 " + "9f" * 32
    text = {tag: part._replace(manifest={**part.manifest, -257: words}) for tag, part in text.items()}
    content = encode_member(text)

    def edit(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        members = {**manifest.members, labels.TEXT: wrapped_digest(content)}
        return encode_manifest(manifest._replace(members=members))

    return repacked(raw, edit, severed=lambda members: {**members, labels.TEXT: content})


def package_cases() -> Iterator[Case]:
    """Every case."""
    raw = good().package
    yield Case("package-good", raw, "accepted")
    yield Case("package-good-on-a-device", raw, "accepted", device=device(battery_mwh=500), held=held())
    yield Case("package-text-taken-out", repacked(raw, severed=lambda m: {20: m[20]}), "accepted")
    yield Case("package-names-its-bill", _with_bill(raw), "accepted")
    inline = edited(lambda m: m, inline=True)
    yield Case("package-install-inline", inline, "rules.outside-profile")
    yield Case("package-install-inline-elsewhere", inline, "accepted", product="kit-other-verifier")
    yield from _envelope(raw)
    yield from _signatures(raw)
    yield from _manifest(raw)
    yield from _identity(raw)
    yield from _commands()
    yield from _device(raw)
    yield from _payloads(raw)


def _envelope(raw: bytes) -> Iterator[Case]:
    for cut in (1, 100, 2000):
        yield Case(f"package-cut-{cut}", raw[:-cut], "structure.envelope")
    yield Case("package-byte-more", raw + b"\0", "structure.envelope")
    yield Case("package-other-tag", b"\xd8\x6c" + raw[2:], "structure.unrecognised", device_first="structure.envelope")
    for key in (1, 4, 100):
        tree = decode(raw, "x", tags=frozenset({107}))
        tree.value[key] = b"\x80"  # type: ignore[attr-defined]
        yield Case(f"package-member-{key}", encode(tree), "structure.envelope")
    yield Case("package-long-head", raw[:2] + b"\xb8" + bytes([raw[2] & 31]) + raw[3:], "structure.envelope")
    yield Case("package-extra-payload", add_payload(raw, "#zzzzzzzzzzzzzzzz", b"x"), "structure.unsigned-member")
    last, behind = (
        encode(name) + encode(bytes(data)) for name, data in list(decode_envelope(raw).payloads.items())[-2:]
    )
    assert raw.endswith(last + behind)
    yield Case("package-payloads-swapped", raw.removesuffix(last + behind) + behind + last, "structure.envelope")
    yield Case("package-payload-twice", raw[:2] + bytes([raw[2] + 1]) + raw[3:] + behind, "structure.envelope")
    tree = decode(raw, "x", tags=frozenset({107}))
    tree.value[16] = encode([21, 2])  # type: ignore[attr-defined]
    yield Case("package-unsigned-sequence", encode(tree), "structure.unsigned-member")
    yield Case("package-too-large", b"", "structure.too-large")  # marked: the file is made by the runner


def _signatures(raw: bytes) -> Iterator[Case]:
    yield Case("package-unsigned", repacked(raw, by=()), "trust.no-signature")
    yield Case("package-by-somebody", repacked(raw, by=("somebody",)), "signature.wrong-key")
    yield Case("package-by-the-images-key", repacked(raw, by=("keys/images",)), "signature.wrong-key")
    yield Case("package-es256-not-allowed", repacked(raw, algorithm=-7), "trust.algorithm-not-allowed")
    yield Case("package-es256-allowed", repacked(raw, algorithm=-7), "accepted", product="kit-es256")
    yield Case("package-esp256-not-allowed", raw, "trust.algorithm-not-allowed", product="kit-es256")
    for algorithm in (-7, -9):
        either = repacked(raw, algorithm=algorithm)
        yield Case(f"package-either-number{algorithm}", either, "accepted", product="kit-either-number")
    yield Case("package-two-needed-one", raw, "trust.too-few-signatures", product="kit-two-packers")
    yield Case(
        "package-two-needed-same-twice",
        repacked(raw, by=("keys/packages",) * 2),
        "trust.too-few-signatures",
        product="kit-two-packers",
    )
    both = repacked(raw, by=("keys/packages", "keys/second-packages"))
    yield Case("package-two-needed-two", both, "accepted", product="kit-two-packers")
    yield Case("package-other-class-key", repacked(raw, by=("keys/other-packages",)), "trust.key-not-for-this")
    revoked = device(revoked=[signer("keys/packages").public.key_id.hex()])
    yield Case("package-revoked", raw, "trust.key-revoked", device=revoked, held=held())
    for day, first in DAYS:
        yield Case(f"package-on-{day}", good().package, first, product="kit-dated", day=day)
    at = raw.index(b"\xf6\x58\x40") + 3
    yield Case("package-r-is-n", raw[:at] + ORDER.to_bytes(32) + raw[at + 32 :], "signature.malformed")
    yield Case("package-s-zero", raw[: at + 32] + bytes(32) + raw[at + 64 :], "signature.malformed")
    yield Case(
        "package-signature-bit", raw[: at + 9] + bytes([raw[at + 9] ^ 1]) + raw[at + 10 :], "signature.wrong-key"
    )
    from kit_published import by_published

    yield Case(
        "package-published-key",
        by_published(raw, published_signer()),
        "trust.example-key",
        device_first="signature.wrong-key",
    )
    desk = make(product(), development=True, files=[f for f in firmware(product()) if f.component != "large"]).package
    yield Case("package-development", desk, "signature.wrong-key")
    yield Case("package-development-admitted", desk, "accepted", development=True)
    yield Case(
        "package-development-mixed",
        repacked(raw, by=("keys-dev/packages",)),
        "rules.development-mixed",
        development=True,
    )


def _manifest(raw: bytes) -> Iterator[Case]:
    where = raw.index(decode_envelope(raw).manifest)
    yield Case(
        "package-manifest-bit",
        raw[: where + 4] + bytes([raw[where + 4] ^ 1]) + raw[where + 5 :],
        "signature.manifest-digest",
    )
    yield Case("package-manifest-no-cbor", raw[:where] + b"\xff" + raw[where + 1 :], "signature.manifest-digest")
    yield Case("package-manifest-version-2", edited(lambda m: m._replace(version=2)), "structure.manifest")

    def unknown(data: bytes) -> bytes:
        tree = decode(data, "manifest")
        assert isinstance(tree, dict)
        return encode({**tree, 17: b"\x80"})

    yield Case("package-manifest-unknown-member", repacked(raw, unknown), "structure.manifest")
    for name, number in (("below-2-32", (1 << 32) - 1), ("2-32", 1 << 32), ("2-40", 1 << 40), ("2-64", (1 << 64) - 1)):
        code = "accepted" if number < 1 << 32 else "structure.manifest"
        yield Case(f"package-sequence-{name}", edited(_numbered(number)), code)
    yield Case("package-manifest-byte-more", repacked(raw, lambda data: data + b"\0"), "structure.manifest")
    for label, name in ((labels.INSTALL, "install"), (labels.TEXT, "text")):
        change = lambda m, k=label: {**m, k: m[k][:-1] + bytes([m[k][-1] ^ 1])}  # noqa: E731
        yield Case(f"package-severed-{name}-changed", repacked(raw, severed=change), "signature.severed-member")
    yield Case("package-install-not-named", repacked(raw, _nothing_installed), "structure.unsigned-member")
    lost = repacked(raw, payloads=lambda p: {k: v for k, v in p.items() if k != "#table"})
    yield Case("package-payload-left-out", lost, "rules.directive-failed")
    yield Case("package-install-taken-out", _bare(raw), "rules.directive-failed")
    of = product()
    other = make(of, files=[f for f in firmware(of) if f.name == "app-a"]).package
    yield Case(
        "package-install-taken-out-and-no-slot", _bare(other), "rules.directive-failed", device=device(), held=held()
    )


def _nothing_installed(data: bytes) -> bytes:
    manifest = decode_manifest(data)
    rest = {label: value for label, value in manifest.members.items() if label != labels.INSTALL}
    return encode_manifest(manifest._replace(members=rest))


def _bare(raw: bytes) -> bytes:
    """Without its install sequence, and without the payloads that nothing asks for then."""
    return repacked(raw, severed=lambda m: {23: m[23]}, payloads=lambda _payloads: {})


def _numbered(sequence: int) -> Change:
    return lambda manifest: manifest._replace(sequence_number=sequence)


def _identity(raw: bytes) -> Iterator[Case]:
    yield Case("package-vendor", edited(shared(0, {labels.VENDOR_ID: bytes(16)})), "identity.wrong-vendor")
    by_number = edited(shared(0, {labels.VENDOR_ID: Tag(112, b"\x01\x02")}))
    yield Case("package-vendor-by-number", by_number, "identity.wrong-vendor")
    yield Case("package-class", edited(shared(0, {labels.CLASS_ID: bytes(16)})), "identity.wrong-class")
    yield Case("package-image-size", edited(shared(RADIO, {labels.IMAGE_SIZE: 811})), "digest.image")
    yield Case("package-image-digest", edited(shared(RADIO, {labels.IMAGE_DIGEST: sha256_digest(b"")})), "digest.image")
    unasked = lambda m: m._replace(shared=tuple(c for c in m.shared if c.code != labels.CONDITION_CLASS))  # noqa: E731
    yield Case("package-class-not-checked", edited(unasked), "identity.not-checked")
    for name, identity in (
        ("number", (b"\x09", b"\0")),
        ("slot", (b"\x01", b"\x02")),
        ("short", (b"\x01",)),
        ("empty", ()),
    ):
        change = lambda m, i=identity: m._replace(components=(i, *m.components[1:]))  # noqa: E731
        yield Case(f"package-component-{name}", edited(change), "identity.unknown-component")
    swapped = _swapped()
    yield Case("package-layers-disagree", swapped, "identity.layers-disagree")
    for name, by in (("longer", 8), ("shorter", -1)):
        yield Case(
            f"package-common-{name}",
            repacked(raw, partial(_another_end, by=by)),
            "structure.manifest",
            device_first="rules.outside-profile",
        )
    astray = resealed(good().images["radio"], lambda s: s._replace(link_address=s.link_address + 0x100))
    yield Case(
        "package-image-for-no-slot",
        edited(shared(RADIO, {labels.IMAGE_DIGEST: sha256_digest(astray)}), payloads=lambda p: {**p, "#radio": astray}),
        "identity.layers-disagree",
    )

    def other_version(manifest: Manifest) -> Manifest:
        validate = list(member(manifest, labels.VALIDATE))
        at = max(n for n, c in enumerate(validate) if c.code == labels.OVERRIDE_PARAMETERS)
        validate[at] = Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: VersionMatch(3, (9, 9, 9))})
        return put(labels.VALIDATE, tuple(validate))(manifest)

    yield Case("package-version-condition", edited(other_version), "identity.layers-disagree")
    one = (
        Command(labels.OVERRIDE_PARAMETERS, {labels.DEVICE_ID: bytes(range(16))}),
        Command(labels.CONDITION_DEVICE, 15),
    )
    yield Case("package-for-one-device", edited(in_front(labels.INSTALL, *one)), "identity.wrong-device")
    assert raw


def _another_end(manifest: bytes, by: int) -> bytes:
    """The same bytes, of which common takes in that many more; behind it stands the set version."""
    at = read_head(manifest, 0, "manifest").end
    for _ in range(5):  # 1: 1, 2: a number, 3
        at = read_head(manifest, at, "manifest").end
    common = read_head(manifest, at, "manifest")
    changed = manifest[:at] + bstr_head(common.argument + by) + manifest[common.end :]
    assert len(changed) == len(manifest)
    return changed


def _swapped() -> bytes:
    images = good().images

    def change(manifest: Manifest) -> Manifest:
        manifest = shared(0, {labels.IMAGE_DIGEST: sha256_digest(images["app-b"])})(manifest)
        return shared(1, {labels.IMAGE_DIGEST: sha256_digest(images["app-a"])})(manifest)

    return edited(change, payloads=lambda p: {**p, "#app-a": p["#app-b"], "#app-b": p["#app-a"]})


def _commands() -> Iterator[Case]:
    for name, command in (("wait", Command(labels.WAIT, 2)), ("private", Command(-300, 2))):
        yield Case(f"package-command-{name}", edited(in_front(labels.INSTALL, command)), "rules.command-unsupported")
    yield Case("package-parameter-unknown", edited(shared(0, {99: 1})), "rules.command-unsupported")
    yield Case("package-dependencies", edited(lambda m: m._replace(dependencies={1: {}})), "rules.command-unsupported")
    yield Case(
        "package-abort", edited(in_front(labels.INSTALL, Command(labels.CONDITION_ABORT, 2))), "rules.condition-failed"
    )
    soft = edited(shared(0, {labels.SOFT_FAILURE: True}))
    yield Case("package-soft-failure-outside", soft, "rules.directive-failed")
    outside = Command(labels.OVERRIDE_PARAMETERS, {labels.URI: "#nowhere"}), Command(labels.FETCH, 2)
    behind = lambda m: put(labels.INSTALL, (*member(m, labels.INSTALL), *outside))(m)  # noqa: E731
    yield Case("package-payload-elsewhere", edited(behind), "rules.directive-failed")
    ask = (
        Command(labels.OVERRIDE_PARAMETERS, {labels.UPDATE_PRIORITY: 0}),
        Command(labels.CONDITION_UPDATE_AUTHORISED, 15),
    )
    yield Case("package-condition-misplaced", edited(in_front(labels.VALIDATE, *ask)), "rules.condition-misplaced")

    def without(manifest: Manifest) -> Manifest:
        kept = tuple(c for c in member(manifest, labels.INSTALL) if c.code != labels.CONDITION_UPDATE_AUTHORISED)
        return put(labels.INSTALL, kept)(manifest)

    yield Case("package-authorisation-missing", edited(without), "rules.authorisation-missing")
    gone = lambda m: m._replace(members={k: v for k, v in m.members.items() if k != labels.VALIDATE})  # noqa: E731
    yield Case("package-validate-missing", edited(gone), "rules.validate-missing")
    write = (
        Command(labels.SET_COMPONENT_INDEX, TABLE), Command(labels.OVERRIDE_PARAMETERS, {labels.CONTENT: b"x"}), Command(labels.WRITE, 2),
    )  # fmt: skip
    changed = lambda m: put(labels.INVOKE_MEMBER, (*write, *member(m, labels.INVOKE_MEMBER)))(m)  # noqa: E731
    yield Case("package-writes-at-boot", edited(changed), "rules.command-unsupported")
    nest: Sequence = (Command(labels.SET_COMPONENT_INDEX, 0), Command(labels.CONDITION_VENDOR, 0))
    for _ in range(6):
        nest = tuple([Command(labels.SET_COMPONENT_INDEX, True)] + [Command(labels.RUN_SEQUENCE, nest)] * 3)
    yield Case("package-runs-for-ever", edited(lambda m: m._replace(shared=m.shared + nest)), "rules.limits")
    careless = edited(_careless, package=_one_build())
    yield Case("package-slot-not-asked", careless, "placement.wrong-slot", device=device(), held=held())


def _careless(manifest: Manifest) -> Manifest:
    members = {
        label: tuple(c for c in member(manifest, label) if c.code != labels.CONDITION_SLOT)
        if isinstance(value, tuple)
        else value
        for label, value in manifest.members.items()
    }
    return manifest._replace(members=members)


def _one_build() -> bytes:
    of = product()
    return make(of, files=[f for f in firmware(of) if f.name != "app-b"]).package


def _device(raw: bytes) -> Iterator[Case]:
    digest = decode_envelope(raw).digest.value.hex()
    for name, changes, code in (
        ("sequence-higher", {"sequence": 9}, "accepted"), ("sequence-lower", {"sequence": 11}, "rollback.sequence-too-low"),
        ("sequence-same-manifest", {"sequence": 10, "manifest_digest": digest}, "accepted"),
        ("sequence-other-manifest", {"sequence": 10, "manifest_digest": "00" * 32}, "rollback.sequence-reused"),
        ("counter-equal", {"counters": {"1": 5, "2": 3, "3": 1}}, "accepted"),
        ("counter-one-less", {"counters": {"1": 6}}, "rollback.counter-too-low"),
        ("battery-just-enough", {"battery_mwh": 500}, "accepted"), ("battery-one-less", {"battery_mwh": 499}, "rules.battery-too-low"),
        ("not-authorised", {"authorised": False}, "rules.not-authorised"), ("failed-before", {"refused": [digest]}, "rules.failed-before"),
        ("other-failed-before", {"refused": ["00" * 32]}, "accepted"), ("hardware", {"hardware": 5}, "identity.wrong-hardware"),
    ):  # fmt: skip
        yield Case(f"package-{name}", raw, code, device=device(**changes), held=held())
    trial = {
        "sequence": 9, "manifest_digest": "11" * 32, "way_back": True, "attempts_left": 1, "power_ons_left": 5, "previous": {}, "kept": [],
    }  # fmt: skip
    yield Case("package-trial-open", raw, "rules.trial-open", device=device(trial=trial), held=held())
    yield Case("package-unproven", raw, "accepted", device=device(trial={**trial, "way_back": False}), held=held())
    behind = device(unraised=True)
    for name, counter, code in (("below", 6, "rollback.counter-too-low"), ("equal", 5, "accepted")):
        runs = held(app_a=resealed(image("app-a"), lambda s, counter=counter: s._replace(counter=counter)))  # type: ignore[misc]
        yield Case(f"package-unraised-{name}", raw, code, device=behind, held=runs)
    yield Case("package-no-free-slot", _one_build(), "placement.no-slot", device=device(), held=held())
    slot_b = device(current={**device()["current"], "1": {"slot": 1}})
    yield Case("package-free-slot", _one_build(), "accepted", device=slot_b, held={**held(), "app-b": image("app-b")})
    of = product()
    alone = make(of, files=[f for f in firmware(of) if f.component == "app"]).package
    yield Case("package-radio-from-the-device", alone, "accepted", device=device(), held=held())
    old = resealed(image("radio"), lambda s: s._replace(version=s.version._replace(minor=2)))
    yield Case("package-mixed-set", alone, "rules.requirement-not-met", device=device(), held=held(radio=old))
    yield Case("package-radio-nowhere", alone, "rules.requirement-not-met", device=device(current={}), held={})


def _payloads(raw: bytes) -> Iterator[Case]:
    yield Case("package-payload-last-bit", raw[:-1] + bytes([raw[-1] ^ 1]), "digest.image")
    bare = b"not sealed!!" + image("table")[12:]  # with the version where a header has it

    def unsealed(manifest: Manifest) -> Manifest:
        return shared(TABLE, {labels.IMAGE_DIGEST: sha256_digest(bare), labels.IMAGE_SIZE: len(bare)})(manifest)

    yield Case(
        "package-payload-not-sealed",
        edited(unsealed, payloads=lambda p: {**p, "#table": bare}),
        "identity.layers-disagree",
        device_first="structure.payload-not-sealed",
    )
    spoiled = bytes(12) + bare[12:]

    def unasked(manifest: Manifest) -> Manifest:
        validate = member(manifest, labels.VALIDATE)
        at = next(n for n, c in enumerate(validate) if c == Command(labels.SET_COMPONENT_INDEX, TABLE))
        manifest = put(labels.VALIDATE, (*validate[: at + 2], *validate[at + 4 :]))(manifest)
        return shared(TABLE, {labels.IMAGE_DIGEST: sha256_digest(spoiled)})(manifest)

    yield Case(
        "package-payload-not-sealed-elsewhere",
        edited(unasked, payloads=lambda p: {**p, "#table": spoiled}),
        "structure.payload-not-sealed",
        product="kit-other-verifier",
    )
    longer = image("table") + b"\xff"

    def extra(manifest: Manifest) -> Manifest:
        return shared(TABLE, {labels.IMAGE_DIGEST: sha256_digest(longer), labels.IMAGE_SIZE: len(longer)})(manifest)

    yield Case(
        "package-payload-with-more-behind",
        edited(extra, payloads=lambda p: {**p, "#table": longer}),
        "structure.bytes-after-payload",
    )
