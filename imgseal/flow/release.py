"""Release firmware: seal it, pack it, judge the package; bytes and values in, bytes and values out.

Nothing that leaves here to be written has been seen by the maker alone: the judge has accepted it first.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.errors import Place, UsageError
from imgseal.findings import NOT_RUN, Verdict
from imgseal.flow.refusal import refuse_unjudged
from imgseal.keys.known_secrets import published_needles, signer_needles
from imgseal.keys.trusted_keys import Trust
from imgseal.make.leaks import Scanner, refuse_leaks, refuse_leaks_beside
from imgseal.make.place import Placed, place_all
from imgseal.make.seal import SealedImage, SealOptions
from imgseal.make.seal import seal as make_seal
from imgseal.product.cores import cannot_run
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView

if TYPE_CHECKING:
    from imgseal.device_state.fielded import Fielded
    from imgseal.formats.memory.image import MemoryImage
    from imgseal.formats.sbom.bill import Bill
    from imgseal.keys.signer import Signer
    from imgseal.make.pack import Package


class FirmwareFile(NamedTuple):
    """Firmware for a component: an image that was read from `name`, or one that is sealed already."""

    component: str
    name: str
    content: "MemoryImage | SealedImage"


class Job(NamedTuple):
    """What a release is made of. Keys have to be in force on `day`, YYYY-MM-DD in UTC; None leaves their dates out.

    An `unfinished` package is judged as if one signature were enough: others will sign it. `bill` is the bill of
    materials that the package names, `fielded` what is known of the bootloaders in the field,
    `witness` the head of the release log that the package carries. `every`: it is for all devices, so that components
    with two run slots need both builds.
    """

    firmware: "list[FirmwareFile]"
    product: Product
    options: SealOptions
    image_signers: "tuple[Signer, ...]"
    package_signers: "tuple[Signer, ...]"
    trust: Trust
    day: str | None = None
    unfinished: bool = False
    bill: "Bill | None" = None
    fielded: "Fielded | None" = None
    witness: str | None = None
    every: bool = False


class ReleaseResult(NamedTuple):
    """What a release made: sealed images, the package, who signed it, remarks, and the verdict that let it pass."""

    images: tuple[SealedImage, ...]
    package: "Package"
    package_signers: "tuple[Signer, ...]"
    notes: tuple[str, ...]
    verdict: Verdict


def seal(
    image: "MemoryImage",
    product: Product,
    component: Component,
    name: str,
    options: SealOptions,
    signers: "tuple[Signer, ...]",
    trust: Trust,
    *,
    day: str | None = None,
    scanner: Scanner | None = None,
) -> tuple[SealedImage, ...]:
    """Seal one firmware image, and what it carries for other components.

    RefusedError when it holds a private key, or when the judge refuses the result; keys have to be in force on `day`.
    `scanner` knows the secrets to look for; without one those of `signers` are.
    """
    _refuse_other_core(image, component, name)
    placed = place_all(image, product, component, name)
    scanner = scanner or _scanner(signers)
    for one in placed:
        _refuse_leaks(scanner, one, name, one.link_address - image.lowest)
    sealed = [make_seal(one, product, options, signers) for one in placed]
    for made in sealed:
        _refuse_bad_image(made, product, trust, options, day)
    return tuple(sealed)


def _refuse_other_core(image: "MemoryImage", component: Component, name: str) -> None:
    """UsageError for code that says it was compiled for a processor which the component's core is not."""
    built = image.built_for
    if built is None or component.kind != "code":
        return
    wrong = cannot_run(component.core, built.arch, built.profile, built.fp)
    if wrong is not None:
        raise UsageError(
            "this firmware was compiled for another core",
            place=Place(file=name),
            expected=f"code that {component.core} runs (component.{component.name}.core)",
            found=f"{wrong}, as its .ARM.attributes say" + (f" ({built.name})" if built.name else ""),
            hint="is it the file of another component? else compile it with -mcpu=" + component.core,
        )


def release(job: Job) -> ReleaseResult:
    """Seal every firmware image, keep those that are sealed already, pack all of them, and judge the package."""
    scanner = _scanner((*job.image_signers, *job.package_signers))
    images: list[SealedImage] = []
    notes: list[str] = []
    product, options, signers = job.product, job.options, job.image_signers
    for file in job.firmware:
        component, name, image = product.components[file.component], file.name, file.content
        if not isinstance(image, SealedImage):
            notes += [f"{name}: {note}" for note in image.notes]
            images += seal(image, product, component, name, options, signers, job.trust, day=job.day, scanner=scanner)
            continue
        if image.placed.component.number != component.number:
            raise UsageError(
                "this sealed image is of another component",
                place=Place(file=name),
                expected=component.name,
                found=image.placed.component.name,
                hint="give it under its own component's name",
            )
        _refuse_leaks(scanner, image.placed, name, image.statement.payload_offset)
        images.append(image)
    package, verdict = pack_images(job, tuple(images), scanner)
    notes += (*verdict.notes, *_left_open(verdict))
    return ReleaseResult(tuple(images), package, job.package_signers, tuple(notes), verdict)


def pack_images(job: Job, images: tuple[SealedImage, ...], scanner: Scanner | None = None) -> "tuple[Package, Verdict]":
    """Pack sealed images and judge the package for a fresh device; RefusedError when it is refused.

    A requirement on a component that the package does not bring is left open: only a device can answer it. UsageError
    for an unfinished package to which nothing is missing. `scanner` as in `seal`.
    """
    from imgseal.make.pack import pack  # noqa: PLC0415 - sealing needs no CBOR

    product, trust, development = job.product, job.trust, job.options.development
    package = pack(images, product, job.package_signers, development=development, bill=job.bill, witness=job.witness)
    data = ByteView(b"".join(package.pieces()))
    _refuse_leaks_beside(scanner or _scanner(job.package_signers), data)
    asked = trust._replace(need_packages=1) if job.unfinished else trust
    state = fresh(product)._replace(fielded=job.fielded)
    context = Context(product, asked, state, development=development, partial=True, day=job.day, every=job.every)
    verdict = judge(data, "the package", context)
    refuse_unjudged(verdict, "this package")
    if job.unfinished and judge(data, "x", context._replace(trust=trust, day=None)).accepted:
        raise UsageError(
            "nothing is missing from this package: devices would take it",
            place=product.place("trust.packages.need"),
            expected="fewer signatures than are needed",
            found="as many",
            hint="leave --unfinished out",
        )
    return package, verdict


def sign_package(
    data: Bytes, name: str, context: Context, signer: "Signer", agree: Callable[[Verdict], None]
) -> "tuple[ByteView, Verdict]":
    """Add a signature to a released package that the judge accepts but for missing ones.

    `agree` is called with the verdict before anything is signed, and raises where it does not. Returns the package and
    the verdict on it: accepted, or short of signatures and nothing else. RefusedError for any other refusal.
    """
    from imgseal.make.add_signature import add_signature  # noqa: PLC0415 - judging needs no maker

    product, trust = context.product, context.trust
    with_one = context._replace(trust=trust._replace(need_packages=1))
    before = judge(data, name, with_one)
    refuse_unjudged(before, "this package")
    agree(before)
    made = ByteView(b"".join(add_signature(memoryview(data.read(0, data.size)), signer, product, trust, name)))
    after = judge(made, name, with_one)
    refuse_unjudged(after, "the signed package")
    return made, judge(made, name, context)


def _scanner(signers: "tuple[Signer, ...]") -> Scanner:
    return Scanner((*signer_needles(signers), *published_needles()))


def _refuse_leaks(scanner: Scanner, placed: Placed, name: str, offset: int) -> None:
    """`offset` is where the payload's first byte stands in the file, counted from the file's first byte of data."""
    component = placed.component
    allowed = frozenset(key.sha256 for key in component.allowed_keys)
    refuse_leaks(scanner.find(placed.payload, allowed), allowed, name, component.name, placed.link_address, offset)


def _refuse_leaks_beside(scanner: Scanner, data: ByteView) -> None:
    """Search what a package holds beside its payloads, which were searched before they were sealed."""
    from imgseal.formats.suit.envelope import beside_payloads, decode_envelope  # noqa: PLC0415 - sealing needs no CBOR

    for member, content in beside_payloads(decode_envelope(data.read(0, data.size))):
        refuse_leaks_beside(scanner.find_in(content), member)


def _left_open(verdict: Verdict) -> tuple[str, ...]:
    """Say of the images what only a device can answer."""
    by_reason: dict[str, list[str]] = {}
    for check in verdict.checks:
        if check.name == "requirements" and check.outcome == NOT_RUN and check.because:
            by_reason.setdefault(check.because, []).append(check.subject)
    return tuple(f"{', '.join(subjects)}: {because}" for because, subjects in by_reason.items())


def _refuse_bad_image(made: SealedImage, product: Product, trust: Trust, options: SealOptions, day: str | None) -> None:
    payload = made.payload if made.statement.detached else None
    name = made.placed.slot.name
    context = Context(product, trust, fresh(product), development=options.development, day=day)
    verdict = judge(made, name, context, payload=payload)
    refuse_unjudged(verdict, f"the sealed image for {name}")
