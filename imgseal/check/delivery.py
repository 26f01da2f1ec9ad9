"""A delivery under judgement: who signed it, the release inside it, and what it makes of what a device runs.

docs/format/delivery.md. The release is judged as any package, with the images that the steps made in place of payloads:
a delivery can spoil an installation, and nothing else.
"""

from imgseal.check.context import Context
from imgseal.check.delivery_front import DELIVERY_ORDER
from imgseal.check.delivery_steps import STEPS_ORDER
from imgseal.check.delivery_subject import KIND, DeliverySubject
from imgseal.check.envelope import PACKAGE_ORDER
from imgseal.check.package import examine_package
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import run
from imgseal.check.slots import slot_name
from imgseal.findings import PASSED, CheckResult, Verdict
from imgseal.formats.suit.delivery import is_delivery
from imgseal.formats.suit.envelope import envelope_pieces
from imgseal.window import Bytes, ByteView

_FRONT = PACKAGE_ORDER[: [check.name for check in PACKAGE_ORDER].index("installation")]
"""What is asked of the release before any step is taken: signatures, identity, rules, history and sequence."""


def examine(data: Bytes, name: str, context: Context, device: str) -> tuple[Verdict, PackageSubject]:
    """Judge a package or a delivery; return also what was read of the package, that of a delivery as it was completed.

    Of a delivery that is refused before the subject is a package without payloads.
    """
    opened = PackageSubject(data)
    if opened.envelope_error is not None or not is_delivery(opened.envelope):
        return examine_package(data, name, context, device)
    subject = DeliverySubject(opened)
    results = run(DELIVERY_ORDER, subject, context, KIND)
    if all(result.outcome == PASSED for result in results):
        front = run(_FRONT, subject.release, context, "package")
        steps = run(STEPS_ORDER, subject, context, KIND) if _passed(front) else ()
        if not _passed(front) or not _passed(steps):
            return _verdict(subject, name, context, device, (*results, *front, *steps)), opened
        inner, package = examine_package(ByteView(_completed(subject)), name, context, device)
        verdict = _verdict(subject, name, context, device, (*results, *steps, *inner.checks))
        verdict = inner._replace(kind=KIND, checks=verdict.checks, details=(*inner.details, *verdict.details))
        package.steps = tuple(subject.taken)
        return verdict, package
    return _verdict(subject, name, context, device, results), opened


def _passed(results: tuple[CheckResult, ...]) -> bool:
    return all(result.outcome == PASSED or (not result.mandatory and not result.findings) for result in results)


def _verdict(
    subject: DeliverySubject, name: str, context: Context, device: str, results: tuple[CheckResult, ...]
) -> Verdict:
    details: list[tuple[str, str]] = []
    if subject.signer is not None:
        details.append(("sent by", subject.signer.source))
    for step in subject.taken:
        slot = slot_name(context.product, step.part._replace(header=False)) or f"component {step.part.number}"
        details.append(("delivers", f"{slot}: {step.form}, {step.size} bytes"))
    return Verdict(name, KIND, device, results, tuple(details), layout=context.layout)


def _completed(subject: DeliverySubject) -> bytes:
    """Return the release's envelope with the images that the steps have made."""
    envelope = subject.release.envelope
    payloads = {uri: (len(data), iter([data])) for uri, data in subject.made.items()}
    return b"".join(
        envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, payloads)
    )
