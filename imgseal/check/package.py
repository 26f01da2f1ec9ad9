"""An update package under judgement: envelope, then signature, then the manifest, then what it installs."""

from collections.abc import Iterator

from imgseal.check.context import Context, Expected, component_named
from imgseal.check.envelope import PACKAGE_ORDER
from imgseal.check.held import contents_held
from imgseal.check.image import ImageSubject
from imgseal.check.inside import brought
from imgseal.check.order import HELD_ORDER, IMAGE_ORDER
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import run
from imgseal.check.running import left_out, relied_on, running_versions
from imgseal.check.slots import slot_name
from imgseal.findings import FAILED, PASSED, CheckResult, Finding, Verdict
from imgseal.formats.sbom.bill import bill_words
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.named_bill import bill_in
from imgseal.versions import Version, suit_words
from imgseal.window import Bytes, ByteView


def examine_package(data: Bytes, name: str, context: Context, device: str) -> tuple[Verdict, PackageSubject]:
    """Judge an envelope and every sealed image inside it.

    Return also what was read: where a device is given, `installed` is what it would hold.
    """
    subject = PackageSubject(data)
    results = run(PACKAGE_ORDER, subject, context, "package")
    passed = {result.name for result in results if result.outcome == PASSED}
    details: tuple[tuple[str, str], ...] = ()
    signed: dict[bytes, tuple[bytes, ...]] = {}
    bootloader = None
    if {"signature", "members", "components"} <= passed:
        found = brought(subject, running_versions(context))
        images = [(part, image) for part, image, _ in found]
        for part, image, versions in ((part, image, v) for part, image, sets in found for v in sets):
            inner = context._replace(versions=versions, whole=not context.partial)
            judged = _judge_one(subject, part, image, inner)
            results += judged
            if isinstance(image, ImageSubject) and any(r.name == "signature" and r.outcome == PASSED for r in judged):
                block = bytes(image.data.read(0, image.statement.header_block))
                signed[block] = tuple(anchor.key_id for _, anchor in image.candidates)
        results += (*_staying(subject, context), _one_kind(subject, images))
        details = _details(subject, context, images)
        read = [image for _, image in images if isinstance(image, ImageSubject)]
        bootloader = relied_on(context, read)
        subject.notes += left_out(read, context)
    verdict = Verdict(
        name, "update package", device, results, details, tuple(subject.notes), signed, _installs(subject, context),
        bootloader, context.layout,
    )  # fmt: skip
    return verdict, subject


def _run_slot(context: Context, number: int, slot: int) -> str:
    return slot_name(context.product, OurComponent(number, slot, header=False)) or f"run slot {slot}"


_Image = ImageSubject | CheckResult


def _installs(subject: PackageSubject, context: Context) -> tuple[str, ...]:
    """Return the names of the slots that the simulated installation has filled."""
    names = (slot_name(context.product, part) for part, _ in subject.installed)
    return tuple(dict.fromkeys(name for name in names if name is not None))


def _judge_one(subject: PackageSubject, part: OurComponent, image: _Image, context: Context) -> tuple[CheckResult, ...]:
    if isinstance(image, CheckResult):
        return (image,)
    return run(IMAGE_ORDER, image, context._replace(expected=_expected(subject, part)), _label(context, part))


def _staying(subject: PackageSubject, context: Context) -> Iterator[CheckResult]:
    """Ask of what stays what no digest tells, and no bootloader has told yet of a state that somebody has written."""
    for part, data in contents_held(subject, context).items():
        image = ImageSubject(ByteView(data))
        if image.header is not None and (part.header or not image.statement.detached):
            yield from run(HELD_ORDER, image, context, _label(context, part))


def _label(context: Context, part: OurComponent) -> str:
    return slot_name(context.product, part._replace(header=False)) or f"component {part.number}"


def _expected(subject: PackageSubject, part: OurComponent) -> Expected:
    plan = subject.plans[subject.parts.index(part)]
    try:
        version = None if plan.version is None else Version.from_suit(list(plan.version))
    except ValueError:
        version = None
    size, vendor = plan.said(labels.IMAGE_SIZE, int), plan.said(labels.VENDOR_ID, bytes)
    return Expected(part.number, part.slot, version, size, vendor, plan.said(labels.CLASS_ID, bytes))


def _one_kind(subject: PackageSubject, images: list[tuple[OurComponent, _Image]]) -> CheckResult:
    """A package signed by a development key holds flagged images only, one signed for release none."""
    flags = {image.statement.development for _, image in images if isinstance(image, ImageSubject) and image.header}
    mixed = [flag for flag in flags if flag != subject.development]
    if not mixed:
        return CheckResult("one-kind", "rules", "package", PASSED)
    finding = Finding(
        "rules.development-mixed",
        "package and images are not of one kind",
        expected="development images" if subject.development else "released images",
        found="released images" if subject.development else "development images",
        hint="build all of it in one way: imgseal build --release, or without --release for the desk",
    )
    return CheckResult("one-kind", "rules", "package", FAILED, (finding,))


def _details(
    subject: PackageSubject, context: Context, images: list[tuple[OurComponent, _Image]]
) -> tuple[tuple[str, str], ...]:
    manifest = subject.manifest
    details = []
    release = suit_words(manifest.set_version)
    if release is not None:
        details.append(("release", release))
    details.append(("sequence", str(manifest.sequence_number)))
    by_component: dict[int, list[str]] = {}
    for part, image in images:
        slot = slot_name(context.product, part._replace(header=False))
        if slot is not None and isinstance(image, ImageSubject) and image.header:
            name = component_named(context.product, part.number)
            by_component.setdefault(part.number, [f"{name} {image.statement.version} for"]).append(slot)
    details += [("image", f"{words[0]} {', '.join(words[1:])}") for words in by_component.values()]
    stays = [
        f"{component_named(context.product, n)} in {_run_slot(context, n, slot)}" for n, slot in subject.held.items()
    ]
    details += [("held", words) for words in stays]
    bill = bill_in(subject.texts)
    if bill is not None:
        details.append(("sbom", bill_words(bill)))
    details.append(("signed by", ", ".join(anchor.source for anchor in subject.signers)))
    if subject.development:
        details.append(("made for", "development"))
    return tuple(details)
