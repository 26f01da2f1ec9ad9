"""What the tests work on: the demo's product with keys and firmware that are the same in every run."""

import functools
import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from cryptography.hazmat.primitives.asymmetric import ec
from second_library import SecondLibrarySigner, seed_of

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.demo.firmware import code, phrases
from imgseal.device_state.device import DeviceState, fresh
from imgseal.findings import Verdict
from imgseal.flow.release import FirmwareFile, Job, release
from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.cose.sign1 import assemble, protected_header, to_be_signed
from imgseal.formats.install_record.record import Member
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.layout import SIGNATURE_BYTES
from imgseal.formats.sealed_image.statement import SignatureSlot, Statement
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces, wrapped_digest
from imgseal.keys.mldsa44 import from_seed
from imgseal.keys.p256 import PublicKey
from imgseal.keys.pem import encode_private, encode_public
from imgseal.keys.public_key import SEALED_NUMBERS, AnyKey
from imgseal.keys.signer import FileSigner, Signer
from imgseal.keys.trusted_keys import Trust, resolve
from imgseal.keys.untrusted import published_signer
from imgseal.make.seal import SealOptions
from imgseal.product.algorithms import ML_DSA_44
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text
from imgseal.window import ByteView

BUILD_TIME = 1_764_072_000
ROLES = ("keys/images", "keys/packages", "keys-dev/images", "keys-dev/packages")
QUANTUM = "-pq"
"""Keys whose names end so are for ML-DSA-44."""
PRINTED = "keys-dev/printed"
"""A key that is printed in a standard."""


@functools.cache
def private_key(name: str) -> ec.EllipticCurvePrivateKey:
    """A key that follows from its name."""
    return ec.derive_private_key(int.from_bytes(hashlib.sha256(name.encode()).digest()), ec.SECP256R1())


@functools.cache
def signer(name: str) -> FileSigner:
    return FileSigner(private_key(name), f"{name}.pem")


def public_key(name: str) -> PublicKey:
    return signer(name).public


@functools.cache
def any_signer(name: str) -> Signer:
    if name == PRINTED:
        return published_signer()
    return SecondLibrarySigner(name) if name.endswith(QUANTUM) else signer(name)


def any_public(name: str) -> AnyKey:
    return any_signer(name).public


@functools.cache
def public_file(name: str) -> bytes:
    return encode_public(any_public(name))


class Workshop(NamedTuple):
    """A product with trust anchors, its sealed images by slot, and the package of all of them."""

    product: Product
    trust: Trust
    images: Mapping[str, bytes]
    package: bytes


def product(edit: Callable[[str], str] = lambda text: text, **arguments: object) -> Product:
    return read(edit(product_text()), name="imgseal.toml", **arguments)  # type: ignore[arg-type]


_TRUST: dict[int, tuple[Product, Trust]] = {}
"""By the identity of a product, which is kept so that no other gets it; fuzzers ask again and again."""


def trust_of(of: Product) -> Trust:
    if id(of) not in _TRUST:
        if len(_TRUST) == 32:
            _TRUST.clear()
        _TRUST[id(of)] = of, resolve(of, lambda reference: public_file(reference.removesuffix(".pub.pem")))
    return _TRUST[id(of)][1]


def two_algorithms(text: str) -> str:
    """A product file with ML-DSA-44 beside ESP256, and header blocks that hold both signatures."""
    text = text.replace('algorithms = ["ESP256"]', 'algorithms = ["ESP256", "ML-DSA-44"]')
    text = text.replace("counter = ", "header_block = 3072\ncounter = ")
    for key in ROLES:
        text = text.replace(f'= "{key}.pem"', f'= ["{key}.pem", "{key}{QUANTUM}.pem"]')
        text = text.replace(f'["{key}.pub.pem"]', f'["{key}.pub.pem", "{key}{QUANTUM}.pub.pem"]')
    return text


def by_digest(text: str) -> str:
    """The demo's product file with a slot for the boot mark behind the records, and its bootloader going by it."""
    records = 'size = "16 KiB"\nholds = "records"\n'
    assert records in text
    mark = '[slot.mark]\nmemory = "internal"\nat = 0x1_3000\nsize = "4 KiB"\nholds = "boot-mark"\nwrite_protected = "until-reset"\n'
    text = text.replace(records, records.replace("16", "12") + mark)
    return text.replace("[rules]\n", '[rules]\nat_boot = "digest"\n')


def firmware(header: int = 0x400) -> list[FirmwareFile]:
    """Small firmware for each component of the demo's product, both builds of the motor core."""
    out = []
    for name, slot, base, vectors, size in (
        ("motor", "a", 0x20000, 64, 6000),
        ("motor", "b", 0x70000, 64, 6000),
        ("radio", "", 0xC0000, 48, 3001),
    ):
        link = base + header
        data = code(f"{name} {slot}", link=link, size=size, vectors=vectors, stack=0x2002_0000)
        out.append(FirmwareFile(name, f"{name}{slot}.hex", MemoryImage.from_bytes(link, data)))
    out.append(
        FirmwareFile("phrases", "phrases.bin", MemoryImage.from_bytes(0x60080000 + header, phrases("phrases", 4000)))
    )
    return out


def make(
    of: Product, *, development: bool = False, files: list[FirmwareFile] | None = None, sealed_by: tuple[str, ...] = ()
) -> Workshop:
    """Release a product; `sealed_by` names image signers, where the usual ones are not those that are needed."""
    folder = "keys-dev" if development else "keys"
    trust = trust_of(of)
    ends = ["", QUANTUM] if ML_DSA_44 in of.rules.kinds else [""]
    if files is None:
        files = firmware(of.components["motor"].header_block)
    result = release(
        Job(
            files,
            of,
            SealOptions(BUILD_TIME, development=development, source_revision=bytes(range(20))),
            image_signers=tuple(any_signer(name) for name in sealed_by or [f"{folder}/images{end}" for end in ends]),
            package_signers=tuple(any_signer(f"{folder}/packages{end}") for end in ends),
            trust=trust,
        )
    )
    images = {image.placed.slot.name: b"".join(image.pieces()) for image in result.images}
    return Workshop(of, trust, images, b"".join(result.package.pieces()))


@functools.cache
def workshop() -> Workshop:
    """The released set of the demo's product."""
    return make(product())


def verdict(
    data: bytes, shop: Workshop | None = None, state: DeviceState | None = None, **arguments: object
) -> Verdict:
    """Judge bytes in a workshop, for a fresh device if no other is given."""
    shop = shop or workshop()
    payload = arguments.pop("payload", None)
    return judge(
        ByteView(data),
        "artefact",
        Context(shop.product, shop.trust, state or fresh(shop.product), **arguments),  # type: ignore[arg-type]
        payload=ByteView(payload) if isinstance(payload, bytes) else None,
    )


def first(data: bytes, shop: Workshop | None = None, state: DeviceState | None = None, **arguments: object) -> str:
    """The first finding's code, or `accepted`."""
    found = verdict(data, shop, state, **arguments)
    if found.accepted:
        return "accepted"
    return found.findings[0].code if found.findings else "no finding"


def codes(
    data: bytes, shop: Workshop | None = None, state: DeviceState | None = None, **arguments: object
) -> list[str]:
    return [finding.code for finding in verdict(data, shop, state, **arguments).findings]


def resealed(
    sealed: bytes,
    change: Callable[[Statement], Statement] = lambda s: s,
    *,
    by: tuple[str, ...] = ("keys/images",),
    payload: bytes | None = None,
    patch: Callable[[bytearray], object] = len,
) -> bytes:
    """A sealed image with a changed statement, signed again by the keys named.

    `change` edits the values, `patch` the encoded statement before it is signed.
    """
    statement = decode_header_block(sealed).statement
    body = sealed[statement.header_block :] if payload is None else payload
    signers = [any_signer(name) for name in by]
    numbers = [SEALED_NUMBERS[s.public.kind] for s in signers]
    slots = tuple(SignatureSlot(n, s.public.key_id, SIGNATURE_BYTES[n]) for n, s in zip(numbers, signers, strict=True))
    statement = change(statement._replace(signatures=slots))
    raw = bytearray(encode_statement(statement))
    patch(raw)
    block = bytearray(encode_header_block(statement, tuple(s.sign(bytes(raw)) for s in signers)))
    block[: len(raw)] = raw
    return bytes(block) + body


def repacked(
    package: bytes,
    manifest: Callable[[bytes], bytes] = lambda data: data,
    *,
    by: tuple[str, ...] = ("keys/packages",),
    algorithm: int = -9,
    severed: Callable[[dict[int, bytes]], dict[int, bytes]] = lambda members: members,
    payloads: Callable[[dict[str, bytes]], dict[str, bytes]] = lambda members: members,
    signers: Callable[[str], Signer] = any_signer,
) -> bytes:
    """An envelope with a changed manifest, signed again by the keys named."""
    envelope = decode_envelope(package)
    data = manifest(envelope.manifest)
    digest = encode(wrapped_digest(data).to_value())
    blocks = tuple(cose_block(name, digest, -48 if name.endswith(QUANTUM) else algorithm, signers) for name in by)
    members = payloads({key: bytes(view) for key, view in envelope.payloads.items()})
    pieces = envelope_pieces(
        digest,
        blocks,
        data,
        severed(dict(envelope.severed)),
        {key: (len(value), iter([value])) for key, value in members.items()},
    )
    return b"".join(pieces)


def cose_block(name: str, digest: bytes, algorithm: int, signers: Callable[[str], Signer] = any_signer) -> bytes:
    """An authentication block over an encoded digest by the key named, under that algorithm number."""
    return assemble(algorithm, signers(name).sign(to_be_signed(protected_header(algorithm), digest)))


def add_payload(package: bytes, key: str, payload: bytes) -> bytes:
    """An envelope with one more payload behind the others; nothing is signed again."""
    return package[:2] + bytes([package[2] + 1]) + package[3:] + encode(key) + bstr_head(len(payload)) + payload


def detached_radio(text: str) -> str:
    """The demo's product file with detached headers for the radio: staged in the NOR, without a way back."""
    text = text.replace('keep = "radio-keep"\n', 'way_back = "none"\nheader = ["radio-header"]\n')
    text = text.replace('at = 0x0_0000\nsize = "128 KiB"', 'at = 0x0_0000\nsize = "192 KiB"')
    slot = '[slot.radio-header]\nmemory = "nor"\nat = 0x4_0000\nsize = "64 KiB"\n\n[slot.radio-keep]'
    return text.replace("[slot.radio-keep]", slot)


def at(running: Mapping[int, int]) -> dict[int, Member]:
    """A current set by the run slots that its components start from."""
    return {number: Member(slot, b"") for number, slot in running.items()}


def write_quantum_keys(folder: Path) -> None:
    """Write the ML-DSA-44 keys of all roles beside the others."""
    for role in ROLES:
        name = role + QUANTUM
        (folder / f"{name}.pem").write_bytes(encode_private(from_seed(seed_of(name)), None))
        (folder / f"{name}.pem").chmod(0o600)
        (folder / f"{name}.pub.pem").write_bytes(encode_public(any_public(name)))


def write_project(folder: Path, text: str | None = None, *, passphrase: bytes | None = None) -> None:
    """Write product file and keys into a folder, as a user would have them."""
    (folder / "imgseal.toml").write_text(product_text() if text is None else text)
    for role in ROLES:
        path = folder / f"{role}.pem"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(encode_private(private_key(role), passphrase))
        path.chmod(0o600)
        path.with_suffix(".pub.pem").write_bytes(encode_public(public_key(role)))


class Said(NamedTuple):
    status: int
    out: str
    err: str


Imgseal = Callable[..., Said]

ALL = ("motor=motor-a.hex", "motor=motor-b.hex", "radio=radio.bin@0xC0400", "phrases=phrases.bin@0x60080400")


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder; hidden ones too."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
