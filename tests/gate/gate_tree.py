"""A build server's output of 250 releases, 2,000 artefacts in all, and ten offenders of ten kinds in it."""

import functools
import gzip
import hashlib
import io
import struct
import tarfile
import zipfile
from pathlib import Path
from typing import NamedTuple

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from workshop import Workshop, make, product, resealed, write_project

from imgseal.demo.firmware import code, phrases
from imgseal.formats.log.entry import Entry, LoggedImage, LoggedPackage
from imgseal.formats.log.lines import EMPTY, added
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.formats.sealed_image.layout import FLAG_DEVELOPMENT, STATEMENT_BYTES
from imgseal.formats.sealed_image.statement import Statement
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.starter import product_text
from imgseal.workspace.log_entries import layout_of

RELEASES = 250
SLOTS = {"motor-a": 0x20400, "motor-b": 0x70400, "radio": 0xC0400, "phrases": 0x60080400}
GATE = '\n[log]\npath = "release.log"\n\n[gate]\nraw = ["**/*.raw"]\n'
PEM = ec.derive_private_key(77, ec.SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

OFFENDERS = {
    "build-010/spare.hex": "gate.not-sealed",
    "build-022/spare.elf": "gate.not-sealed",
    "build-030.zip/spare.srec": "gate.not-sealed",
    "build-040.tar.gz/build-040/spare.raw": "gate.not-sealed",
    "build-050/bit.sealed.bin": "digest.payload",
    "build-060.zip/inner.tar.gz/foreign.sealed.bin": "trust.unknown-key",
    "build-070/desk.sealed.bin": "rules.development-image",
    "build-082/key.sealed.bin": "leak.private-key",
    "build-092/unlogged.sealed.bin": "gate.not-logged",
    "build-101/older.sealed.bin": "rollback.counter-too-low",
}


class Tree(NamedTuple):
    """A folder with product file, keys and log, and what the build server kept in `out` below it."""

    folder: Path
    artefacts: int


def settings(text: str) -> str:
    return text.replace("sequence = 17", "sequence = 1000") + GATE


@functools.cache
def shop() -> Workshop:
    return make(product(settings))


def payload(slot: str, number: int) -> bytes:
    title = f"{slot} of release {number}"
    if slot == "phrases":
        return phrases(title, 700 + number)
    return code(title, link=SLOTS[slot], size=900 + number, vectors=48 if slot == "radio" else 64, stack=0x2002_0000)


def sealed(
    slot: str, body: bytes, by: tuple[str, ...] = ("keys/images",), counter: int | None = None, flags: int = 0
) -> bytes:
    def change(statement: Statement) -> Statement:
        digest = hashlib.sha256(body).digest()
        least = statement.counter if counter is None else counter
        return statement._replace(payload_size=len(body), payload_digest=digest, counter=least, flags=flags)

    return resealed(shop().images[slot], change, by=by, payload=body)


def as_hex(address: int, body: bytes) -> bytes:
    return b"".join(write_intel_hex([(address, body)]))


def as_srec(address: int, body: bytes) -> bytes:
    lines = []
    for at in range(0, len(body), 32):
        raw = struct.pack(">I", address + at) + body[at : at + 32]
        raw = bytes([len(raw) + 1]) + raw
        lines.append(b"S3" + (raw + bytes([~sum(raw) & 0xFF])).hex().upper().encode())
    return b"\n".join([*lines, b"S70500000000FA", b""])


def as_elf(address: int, body: bytes, *, machine: int = 40, kind: int = 2) -> bytes:
    """An executable of one segment without section headers; System V ABI, chapters 4 and 5."""
    head = b"\x7fELF\x01\x01\x01" + bytes(9)
    head += struct.pack("<HHIIIIIHHHHHH", kind, machine, 1, address, 52, 0, 0, 52, 32, 1, 40, 0, 0)
    return head + struct.pack("<IIIIIIII", 1, 84, address, address, len(body), len(body), 5, 4) + body


def as_zip(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return out.getvalue()


def as_tar(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return out.getvalue()


def as_targz(files: dict[str, bytes]) -> bytes:
    return gzip.compress(as_tar(files), 1)


def logged_image(slot: str, data: bytes) -> LoggedImage:
    statement = decode_header_block(data).statement
    name = slot.split("-", maxsplit=1)[0]
    return LoggedImage(
        statement.component,
        name,
        slot,
        statement.version,
        statement.counter,
        hashlib.sha256(data[:STATEMENT_BYTES]).digest(),
        tuple(each.key_id for each in statement.signatures),
    )


def log_line_for(tip: object, sequence: int, images: dict[str, bytes], manifest: bytes) -> tuple[bytes, object]:
    """One line of the log for a release of these images, and the tip after it."""
    of = shop().product
    keys = (shop().trust.keys[1].key_id,)
    logged = tuple(sorted((logged_image(*each) for each in images.items()), key=lambda each: each.component))
    package = LoggedPackage("", of.class_id, manifest, keys, logged, layout=layout_of(of))
    draft = Entry(0, of.vendor, of.name, of.release.version, sequence, 1_700_000_000, b"", "0.1.0", (package,))
    line, step = added(tip, draft)  # type: ignore[arg-type]
    return line, step.tip


def release_files(number: int) -> tuple[dict[str, bytes], dict[str, bytes]]:
    """Sealed images by slot, and the eight artefacts of a release by file name."""
    bodies = {slot: payload(slot, number) for slot in SLOTS}
    images = {slot: sealed(slot, body) for slot, body in bodies.items()}
    files = {f"{slot}.sealed.bin": data for slot, data in images.items()}
    files["motor-a.hex"] = as_hex(SLOTS["motor-a"], bodies["motor-a"])
    files["motor-b.srec"] = as_srec(SLOTS["motor-b"], bodies["motor-b"])
    files["radio.elf"] = as_elf(SLOTS["radio"], bodies["radio"])
    files["phrases.raw"] = bodies["phrases"]
    return images, files


def offenders() -> tuple[dict[str, bytes], list[dict[str, bytes]]]:
    """The offenders by their path in the tree, and the images of theirs that are logged, by slot, release by release."""
    spare = code("spare", link=SLOTS["motor-a"], size=999, vectors=64, stack=0x2002_0000)
    older = sealed("motor-a", spare + b"older", counter=5)
    bit = bytearray(sealed("motor-b", payload("motor-b", 1000)))
    bit[-1] ^= 1
    leaking = bytearray(payload("radio", 1000))
    leaking[400 : 400 + len(PEM)] = PEM
    desk = sealed("phrases", b"made at a desk", flags=FLAG_DEVELOPMENT)
    foreign = sealed("phrases", b"by others", by=("foreign",))
    logged = {"motor-a": older, "motor-b": bytes(bit), "radio": sealed("radio", bytes(leaking)), "phrases": desk}
    return {
        "build-010/spare.hex": as_hex(SLOTS["motor-a"], spare),
        "build-022/spare.elf": as_elf(SLOTS["motor-a"], spare),
        "build-030.zip/spare.srec": as_srec(SLOTS["motor-a"], spare),
        "build-040.tar.gz/build-040/spare.raw": b"raw firmware that nobody has sealed",
        "build-050/bit.sealed.bin": logged["motor-b"],
        "build-060.zip/inner.tar.gz/foreign.sealed.bin": foreign,
        "build-070/desk.sealed.bin": desk,
        "build-082/key.sealed.bin": logged["radio"],
        "build-092/unlogged.sealed.bin": sealed("phrases", b"made by night"),
        "build-101/older.sealed.bin": older,
    }, [logged, {"phrases": foreign}]


def make_tree(folder: Path, releases: int = RELEASES, *, planted: bool = True) -> Tree:
    """Write it; releases lie in folders, zip archives and compressed tar archives, with other files beside them."""
    write_project(folder, settings(product_text()))
    bad, logged = offenders()
    tip: object = EMPTY
    lines = []
    for sequence, images in enumerate(logged, 1):
        line, tip = log_line_for(tip, sequence, images, bytes(32))
        lines.append(line)
    out = folder / "out"
    out.mkdir()
    count = 0
    for number in range(releases):
        images, files = release_files(number)
        if number == 0:
            files["all.suit"] = shop().package
        line, tip = log_line_for(tip, number + 10, images, hashlib.sha256(b"%d" % number).digest())
        lines.append(line)
        name = f"build-{number:03}"
        kind = ".zip" if number % 30 == 0 else ".tar.gz" if number % 20 == 0 else ""
        if planted:
            put = {path: data for path, data in bad.items() if path.startswith((f"{name}/", f"{name}{kind}/"))}
            inner: dict[str, bytes] = {}
            for path, data in put.items():
                inside = path.split("/", 1)[1].removeprefix(f"{name}/")
                (inner if inside.startswith("inner") else files)[inside.removeprefix("inner.tar.gz/")] = data
            if inner:
                files["inner.tar.gz"] = as_targz(inner)
            count += len(inner) - (1 if inner else 0)
        count += len(files)
        write_release(out, name, kind, {**files, "notes.txt": b"how it was built", "build.map": bytes(range(256)) * 4})
    envelope = decode_envelope(shop().package)
    packed = {slot: shop().images[slot] for slot in SLOTS}
    line, tip = log_line_for(tip, 1000, packed, envelope.digest.value)
    (folder / "release.log").write_bytes(b"\n".join([*lines, line, b""]))
    return Tree(folder, count)


def write_release(out: Path, name: str, kind: str, files: dict[str, bytes]) -> None:
    if kind == ".zip":
        (out / f"{name}.zip").write_bytes(as_zip(files))
    elif kind == ".tar.gz":
        (out / f"{name}.tar.gz").write_bytes(as_targz({f"{name}/{path}": data for path, data in files.items()}))
    else:
        (out / name).mkdir()
        for path, data in files.items():
            (out / name / path).write_bytes(data)
