"""The compiled installer with patches: the author's envelope comes without its payloads, and each of them as a stream."""

import ctypes as c
import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from c_boot import CODE, READ, U8, U32, Reader
from c_build import SOURCES
from c_install import BESIDE, InstallLibrary
from edge_patches import copy
from stages import Pair

from imgseal.device_state.device import DeviceState
from imgseal.formats.delta.layout import DIFFERENCE, IS_COPY, LITERAL, Frame, preamble
from imgseal.formats.suit.envelope import Envelope, decode_envelope, envelope_pieces
from imgseal.make.delta.coder import Coder
from imgseal.make.delta.encode import encode
from imgseal.product.model import Product
from imgseal.window import Bytes

NOT_TAKEN = 0xFFFF_FFFF
FORMS = ("patch", "compressed", "repeats", "plain")


class PatchInC(c.Structure):
    _fields_ = (
        ("stream", Reader), ("stream_digest", U8 * 32), ("base_digest", U8 * 32), ("base_size", U32), ("plain", U8),
    )  # fmt: skip


class Sent(NamedTuple):
    """What comes of one payload, and what is signed of it."""

    stream: bytes
    stream_digest: bytes
    base_digest: bytes = bytes(32)
    base_size: int = 0
    plain: bool = False


def sent(new: bytes, base: bytes | None, form: str) -> Sent:
    if form == "plain":
        return Sent(new, hashlib.sha256(new).digest(), plain=True)
    if form == "repeats":
        stream = repeating(new)
        return Sent(stream, hashlib.sha256(stream).digest())
    old = base if base is not None and form == "patch" else b""
    stream = encode(old, new, Frame(0, 0, 0x2000_0000, 0x4000)).data
    return Sent(stream, hashlib.sha256(stream).digest(), hashlib.sha256(old).digest(), len(old))


def repeating(new: bytes) -> bytes:
    """A stream that copies whatever it can from the pages in front, if only two bytes: our writer would not."""
    coder, at, since, distance = Coder(), 0, 3, 0
    while at < len(new):
        front = new[: at - at % 256]
        length = next((n for n in (40, 12, 4, 3, 2) if at + n <= len(new) and new[at : at + n] in front), 0)
        if length:
            distance = at - front.rindex(new[at : at + length])
            copy(coder, since, None, length, distance)
            at, since = at + length, 0
        else:  # behind a copy a byte is told by the difference to what would go on
            coder.bit(IS_COPY + since, 0)
            if since:
                coder.byte(LITERAL + 256 * (at & 1), new[at])
            else:
                coder.byte(DIFFERENCE, new[at] - new[at - distance] & 255)
            at, since = at + 1, min(3, since + 1)
    return preamble(len(new), None) + coder.finish()


class Begins(NamedTuple):
    """A device as it is when an update comes, and the package that it runs."""

    product: Product
    package: bytes
    state: DeviceState
    contents: Mapping[str, Bytes]


def of_pair(update: Pair) -> Begins:
    return Begins(update.product, update.first.package, update.state, update.contents)


class PatchLibrary(InstallLibrary):
    """Sends each payload that the device takes as a patch from what it ran in the beginning; `spoil` changes what is sent."""

    beside = (*BESIDE, "seal_delta.c", "seal_delivery.c")

    def __init__(
        self, begins: Begins, folder: Path, form: str = "patch", sources: Path | None = None, flags: tuple[str, ...] = ("-O2",)
    ) -> None:  # fmt: skip
        super().__init__(begins.product, folder, sources or SOURCES, (*flags, "-DSEAL_PATCHES"))
        self.begins, self.form = begins, form
        self.spoil: Callable[[Sent], Sent] = lambda each: each
        self.bases = [bytes(payload) for payload in decode_envelope(begins.package).payloads.values()]
        self.made: dict[tuple[bytes | None, bytes], Sent] = {}

    def declare(self) -> None:
        super().declare()
        self.library.shim_part.restype = self.library.shim_patch.restype = U32
        self.library.shim_patch.argtypes = (U32, c.POINTER(PatchInC))

    def stream(self, device: Any) -> int:
        envelope = decode_envelope(bytes(device.source.read(0, device.source.size)))
        self.call("shim_begin_install")
        code = self.take(self.front(envelope))
        if code != CODE["accepted"]:
            return code
        for key, payload in envelope.payloads.items():
            part = self.library.shim_part((U8 * len(key)).from_buffer_copy(key.encode()), len(key))
            if part == NOT_TAKEN:
                continue
            code = self.patch(part & 0xFF, self.spoil(self.sent(bytes(payload), part)))
            if code != CODE["accepted"]:
                return code
        return self.call("shim_finish")

    @staticmethod
    def front(envelope: Envelope) -> bytes:
        """The author's envelope without its payloads."""
        return b"".join(
            envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, dict(envelope.severed), {})
        )

    def take(self, data: bytes) -> int:
        code = CODE["accepted"]
        for at in range(0, len(data), 100):
            piece = data[at : at + 100]
            code = self.call("shim_take", (U8 * len(piece)).from_buffer_copy(piece), len(piece))
            if code != CODE["accepted"]:
                break
        return code

    def sent(self, new: bytes, part: int) -> Sent:
        number = self.of.numbers[part >> 8 & 0xFF]
        component = next(each for each in self.of.components.values() if each.number == number)
        base = self.base(component, header=bool(part >> 16))
        if (base, new) not in self.made:
            self.made[base, new] = sent(new, base, self.form)
        return self.made[base, new]

    def base(self, component: Any, *, header: bool) -> bytes | None:
        """What runs on a device that has the first release and no other, from the slot that it begins in."""
        runs = self.begins.state.running.get(component.number)
        slot = None if runs is None else self.begins.contents.get((component.header if header else component.run)[runs])
        content = b"" if slot is None else bytes(slot.read(0, slot.size))
        return next((base for base in self.bases if content.startswith(base)), None)

    def patch(self, part: int, each: Sent) -> int:
        def read(_user: int, at: int, to: Any, length: int) -> int:
            assert at + length <= len(each.stream)
            c.memmove(to, each.stream[at : at + length], length)
            return CODE["read"]

        callback = READ(read)
        digests = ((U8 * 32)(*each.stream_digest), (U8 * 32)(*each.base_digest))
        said = PatchInC(Reader(callback, None, len(each.stream)), *digests, each.base_size, int(each.plain))
        return self.call("shim_patch", part, c.byref(said))
