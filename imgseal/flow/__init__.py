"""The flows, bytes in and values out: `release` seals firmware and packs it, `judge` says whether a device takes it.

Nothing that leaves here to be written has been seen by the maker alone: the judge has accepted it first. Makers are
imported where they are used: judging needs none of them, and sealing needs no CBOR.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from imgseal.check.context import Bytes, Context
from imgseal.check.judge import judge as run_judge
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.findings import NOT_RUN, Verdict
from imgseal.keys.trust import Trust
from imgseal.memory.view import ByteView
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple
from imgseal.state.device import DeviceState, fresh

if TYPE_CHECKING:
    from imgseal.anchors.codec import AnchorSet
    from imgseal.keys.signer import Signer
    from imgseal.make.leaks import Scanner
    from imgseal.make.pack import Package
    from imgseal.make.place import Placed
    from imgseal.make.seal import SealedImage, SealOptions
    from imgseal.memory.image import MemoryImage
    from imgseal.sbom.bill import Bill
    from imgseal.state.fielded import Fielded

__all__ = ["FirmwareFile", "ReleaseResult", "endorse_package", "judge", "pack_images", "release", "seal"]


class FirmwareFile(NamedTuple):
    """Firmware for a component: an image that was read from `name`, or one that is sealed already."""

    component: str
    name: str
    content: "MemoryImage | SealedImage"


class ReleaseResult(NamedTuple):
    """What a release made: sealed images, the package, remarks, and the verdict that let it pass."""

    images: "tuple[SealedImage, ...]"
    package: "Package"
    notes: tuple[str, ...]
    verdict: Verdict


def judge(
    data: Bytes,
    name: str,
    product: Product,
    trust: Trust,
    state: DeviceState,
    *,
    contents: Mapping[str, Bytes] | None = None,
    device: str = "a fresh device",
    development: bool = False,
    slot: str | None = None,
    payload: Bytes | None = None,
    partial: bool = False,
    day: str | None = None,
    anchors: "AnchorSet | None" = None,
) -> Verdict:
    """Judge an artefact as the device in `state` would; never raises on what the artefact holds.

    `partial` leaves requirements on components that a package does not bring to the device. Keys have to be in force
    on `day`, YYYY-MM-DD in UTC; None leaves their dates out, as a device does. `anchors` is the set of trust anchors
    that the device has been given since it left the factory; `trust` has to be the same one's.
    """
    context = Context(
        product,
        trust,
        state,
        contents or {},
        development=development,
        slot=slot,
        whole_set=not state.fresh,
        partial=partial,
        day=day,
        anchors=anchors,
    )
    return run_judge(data, name, context, device, payload)


def seal(
    image: "MemoryImage",
    product: Product,
    component: Component,
    name: str,
    options: "SealOptions",
    signers: "tuple[Signer, ...]",
    trust: Trust,
    *,
    day: str | None = None,
    scanner: "Scanner | None" = None,
) -> "tuple[SealedImage, ...]":
    """Seal one firmware image, and what it carries for other components.

    RefusedError when it holds a private key, or when the judge refuses the result; keys have to be in force on `day`.
    `scanner` knows the secrets to look for; without one those of `signers` are.
    """
    from imgseal.make.place import place, separate  # noqa: PLC0415 - judging needs no maker
    from imgseal.make.seal import seal as make_seal  # noqa: PLC0415

    rest, carried = separate(image, component, name)
    parts = [(component, rest), *((product.components[other], part) for other, part in carried.items())]
    placed = [place(part, product, of, name) for of, part in parts]
    scanner = scanner or _scanner(signers)
    for one in placed:
        _refuse_leaks(scanner, one, name, one.link_address - image.lowest)
    sealed = [make_seal(one, product, options, signers) for one in placed]
    for made in sealed:
        _refuse_bad_image(made, product, trust, options, day)
    return tuple(sealed)


def release(
    firmware: list[FirmwareFile],
    product: Product,
    options: "SealOptions",
    *,
    image_signers: "tuple[Signer, ...]",
    package_signers: "tuple[Signer, ...]",
    trust: Trust,
    day: str | None = None,
    unfinished: bool = False,
    bill: "Bill | None" = None,
    fielded: "Fielded | None" = None,
) -> ReleaseResult:
    """Seal every firmware image, keep those that are sealed already, pack all of them, and judge the package.

    `day`, `unfinished`, `bill` and `fielded` as in `pack_images`.
    """
    from imgseal.make.seal import SealedImage  # noqa: PLC0415 - judging needs no maker

    scanner = _scanner((*image_signers, *package_signers))
    images: list[SealedImage] = []
    notes: list[str] = []
    for file in firmware:
        component = product.components[file.component]
        if isinstance(file.content, SealedImage):
            if file.content.placed.component.number != component.number:
                raise UsageError(
                    "this sealed image is of another component",
                    place=Place(file=file.name),
                    expected=component.name,
                    found=file.content.placed.component.name,
                    hint="give it under its own component's name",
                )
            sealed = file.content
            header = 0 if sealed.statement.detached else sealed.statement.header_block
            _refuse_leaks(scanner, sealed.placed, file.name, header)
            images.append(sealed)
            continue
        notes += [f"{file.name}: {note}" for note in file.content.notes]
        images += seal(
            file.content, product, component, file.name, options, image_signers, trust, day=day, scanner=scanner
        )
    package, verdict = pack_images(
        tuple(images),
        product,
        package_signers,
        trust,
        development=options.development,
        day=day,
        unfinished=unfinished,
        bill=bill,
        fielded=fielded,
        scanner=scanner,
    )
    return ReleaseResult(tuple(images), package, (*notes, *verdict.notes, *_left_open(verdict)), verdict)


def pack_images(
    images: "tuple[SealedImage, ...]",
    product: Product,
    signers: "tuple[Signer, ...]",
    trust: Trust,
    *,
    development: bool,
    day: str | None = None,
    unfinished: bool = False,
    bill: "Bill | None" = None,
    fielded: "Fielded | None" = None,
    scanner: "Scanner | None" = None,
) -> "tuple[Package, Verdict]":
    """Pack sealed images and judge the package for a fresh device; RefusedError when it is refused.

    A requirement on a component that the package does not bring is left open: only a device can answer it. Keys have
    to be in force on `day`. An `unfinished` package is judged as if one signature were enough: others will endorse it;
    UsageError when no other is needed. `bill` is the bill of materials that the package names, `fielded` what is known
    of the bootloaders in the field. `scanner` as in `seal`.
    """
    from imgseal.make.pack import pack  # noqa: PLC0415 - sealing needs no CBOR

    package = pack(images, product, signers, development=development, bill=bill)
    data = ByteView(b"".join(package.pieces()))
    _refuse_leaks_beside(scanner or _scanner(signers), data)
    asked = trust._replace(need_packages=1) if unfinished else trust
    state = fresh(product)._replace(fielded=fielded)
    verdict = judge(data, "the package", product, asked, state, development=development, partial=True, day=day)
    _refuse_unless_accepted(verdict, "this package")
    if unfinished and judge(data, "x", product, trust, state, development=development, partial=True).accepted:
        raise UsageError(
            "nothing is missing from this package: devices would take it",
            place=Place(file=product.source, key="trust.packages.need"),
            expected="fewer signatures than are needed",
            found="as many",
            hint="leave --unfinished out",
        )
    return package, verdict


def endorse_package(
    data: Bytes,
    name: str,
    product: Product,
    trust: Trust,
    signer: "Signer",
    *,
    day: str | None,
    agree: Callable[[Verdict], None],
    fielded: "Fielded | None" = None,
) -> "tuple[ByteView, Verdict]":
    """Add a signature to a released package that the judge accepts but for missing ones.

    `agree` is called with the verdict before anything is signed, and raises where it does not. Returns the package and
    the verdict on it: accepted, or short of signatures and nothing else. RefusedError for any other refusal.
    `fielded` as in `pack_images`.
    """
    from imgseal.make.endorse import endorse  # noqa: PLC0415 - judging needs no maker

    state = fresh(product)._replace(fielded=fielded)
    enough_with_one = trust._replace(need_packages=1)
    before = judge(data, name, product, enough_with_one, state, partial=True, day=day)
    _refuse_unless_accepted(before, "this package")
    agree(before)
    made = ByteView(b"".join(endorse(memoryview(data.read(0, data.size)), signer, product, trust, name)))
    after = judge(made, name, product, enough_with_one, state, partial=True, day=day)
    _refuse_unless_accepted(after, "the endorsed package")
    return made, judge(made, name, product, trust, state, partial=True, day=day)


def _scanner(signers: "tuple[Signer, ...]") -> "Scanner":
    from imgseal.keys.needles import published_needles, signer_needles  # noqa: PLC0415 - judging needs no maker
    from imgseal.make.leaks import Scanner  # noqa: PLC0415

    return Scanner((*signer_needles(signers), *published_needles()))


def _refuse_leaks(scanner: "Scanner", placed: "Placed", name: str, offset: int) -> None:
    """`offset` is where the payload's first byte stands in the file, counted from the file's first byte of data."""
    from imgseal.make.leaks import refuse_leaks  # noqa: PLC0415 - judging needs no maker

    component = placed.component
    allowed = frozenset(key.sha256 for key in component.allowed_keys)
    refuse_leaks(scanner.find(placed.payload, allowed), allowed, name, component.name, placed.link_address, offset)


def _refuse_leaks_beside(scanner: "Scanner", data: ByteView) -> None:
    """Search what a package holds beside its payloads, which were searched before they were sealed."""
    from imgseal.make.leaks import refuse_leaks_beside  # noqa: PLC0415 - judging needs no maker
    from imgseal.suit.envelope import beside_payloads, decode_envelope  # noqa: PLC0415 - sealing needs no CBOR

    for member, content in beside_payloads(decode_envelope(data.read(0, data.size))):
        refuse_leaks_beside(scanner.find_in(content), member)


def _left_open(verdict: Verdict) -> tuple[str, ...]:
    """Say of the images what only a device can answer."""
    by_reason: dict[str, list[str]] = {}
    for check in verdict.checks:
        if check.name == "requirements" and check.outcome == NOT_RUN and check.because:
            by_reason.setdefault(check.because, []).append(check.subject)
    return tuple(f"{', '.join(subjects)}: {because}" for because, subjects in by_reason.items())


def _refuse_bad_image(
    made: "SealedImage", product: Product, trust: Trust, options: "SealOptions", day: str | None
) -> None:
    whole = _Pieces(made)
    payload = _PayloadPieces(made) if made.statement.detached else None
    name = made.placed.slot.name
    development = options.development
    verdict = judge(whole, name, product, trust, fresh(product), development=development, payload=payload, day=day)
    _refuse_unless_accepted(verdict, f"the sealed image for {name}")


def _refuse_unless_accepted(verdict: Verdict, what: str) -> None:
    if verdict.accepted:
        return
    if not verdict.findings:
        because = next((check.because for check in verdict.checks if check.because), "there were no checks")
        raise RefusedError(f"imgseal's own judge has no answer on {what}: {because}", hint="imgseal check says more")
    finding = verdict.findings[0]
    raise RefusedError(
        f"imgseal's own judge refuses {what}: {finding.code}: {finding.message}",
        place=finding.place,
        expected=finding.expected,
        found=finding.found,
        hint=finding.hint or f"docs/checks.md explains {finding.code}",
    )


class _Pieces:
    """A sealed image as the judge reads it, without a copy of the payload."""

    __slots__ = ("_header", "_payload", "size")

    def __init__(self, made: "SealedImage") -> None:
        self._header = made.header_block
        self._payload = None if made.statement.detached else made.payload
        self.size = made.size

    def read(self, offset: int, length: int) -> bytes:
        """Return bytes of header block and payload."""
        head = self._header[offset : offset + length]
        if self._payload is None or len(head) == length:
            return head
        start = max(0, offset - len(self._header))
        return head + self._payload.read(start, length - len(head))


class _PayloadPieces:
    """A detached payload as the judge reads it."""

    __slots__ = ("_payload", "size")

    def __init__(self, made: "SealedImage") -> None:
        self._payload = made.payload
        self.size = made.payload.size

    def read(self, offset: int, length: int) -> bytes:
        """Return bytes of the payload."""
        return self._payload.read(offset, length)
