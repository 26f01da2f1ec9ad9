"""Opens an artefact and runs the checks that its kind asks for. Never raises on what the artefact holds."""

from imgseal.check.context import Context, component_named
from imgseal.check.image import ImageSubject
from imgseal.check.order import IMAGE_ORDER
from imgseal.check.runner import run
from imgseal.check.running import left_out, relied_on, running_versions
from imgseal.errors import Place
from imgseal.findings import FAILED, NOT_RUN, PASSED, CheckResult, Finding, Verdict
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.limits import ARTEFACT_BYTES
from imgseal.window import Bytes

_ANCHORS = b"\xd5anchors"  # a test holds it against anchors/codec.py
_ENVELOPE_TAG = b"\xd8\x6b"  # CBOR tag 107, SUIT manifest draft section 11.1
_KINDS = {MAGIC: "sealed image", _ANCHORS: "trust anchor update", _ENVELOPE_TAG: "update package"}


def kind_of(data: Bytes) -> str | None:
    """Say what an artefact is by its first bytes: `sealed image`, `update package`, `trust anchor update`, or None."""
    head = bytes(data.read(0, len(MAGIC)))
    return next((kind for start, kind in _KINDS.items() if head.startswith(start)), None)


def judge(
    data: Bytes, name: str, context: Context, device: str = "a fresh device", payload: Bytes | None = None
) -> Verdict:
    """Judge one artefact; `device` says in words for which device, `payload` belongs to a detached header."""
    return _judge(data, name, context, device, payload)._replace(layout=context.layout)


def _judge(data: Bytes, name: str, context: Context, device: str, payload: Bytes | None) -> Verdict:
    kind = kind_of(data)
    if data.size > ARTEFACT_BYTES:
        return _unread(
            name,
            device,
            "structure.too-large",
            f"at most {ARTEFACT_BYTES} bytes",
            f"{data.size} bytes",
            "is it the right file? imgseal judges sealed images, update packages and trust anchor updates",
        )
    if kind == "update package":
        from imgseal.check.delivery import examine  # noqa: PLC0415 - sealed images need no CBOR

        return examine(data, name, context, device)[0]
    if kind == "trust anchor update":
        from imgseal.check.held_anchors import judge_anchors  # noqa: PLC0415 - the others need none of it

        return judge_anchors(data, name, context, device)
    if kind == "sealed image":
        return judge_image(data, name, context, device, payload)
    return judge_unrecognised(data, name, device)


def judge_unrecognised(data: Bytes, name: str, device: str) -> Verdict:
    """Refuse a file that is neither sealed nor packed."""
    head = bytes(data.read(0, 16))
    return _unread(
        name,
        device,
        "structure.unrecognised",
        f"{MAGIC.hex()} (sealed image) or {_ENVELOPE_TAG.hex()} (SUIT envelope, CBOR tag 107) "
        f"or {_ANCHORS.hex()} (trust anchor update)",
        head.hex() or "an empty file",
        "firmware is judged when it is sealed: imgseal build, or imgseal seal FILE --component NAME",
    )


def judge_image(data: Bytes, name: str, context: Context, device: str, payload: Bytes | None = None) -> Verdict:
    """Judge a sealed image, a detached header with its payload, or a slot dump."""
    subject = ImageSubject(data, payload)
    if not context.versions:
        context = context._replace(versions=running_versions(context))
    results = run(IMAGE_ORDER, subject, context, "")
    kind = "sealed image"
    if context.slot is not None:
        kind = "slot dump"
    elif subject.header is not None and subject.statement.detached:
        kind = "detached header"
    details = image_details(subject, context, results)
    bootloader = relied_on(context, (subject,)) if details else None  # details: its signature holds
    notes = left_out((subject,), context) if details else ()
    return Verdict(name, kind, device, results, details, notes, bootloader=bootloader)


def image_details(
    subject: ImageSubject, context: Context, results: tuple[CheckResult, ...]
) -> tuple[tuple[str, str], ...]:
    """Say what a verified header says; nothing of a header whose signature does not hold."""
    if not any(r.name == "signature" and r.outcome == PASSED for r in results):
        return ()
    statement = subject.statement
    slot = subject.slot(context.product)
    details = [
        ("image", f"{component_named(context.product, statement.component)} {statement.version}"),
        ("slot", f"{slot.name}, {statement.payload_size} of {slot.room} bytes" if slot else "none"),
        ("counter", str(statement.counter)),
        ("signed by", ", ".join(anchor.source for _, anchor in subject.candidates)),
    ]
    if statement.development:
        details.append(("made for", "development"))
    return tuple(details)


def _unread(name: str, device: str, code: str, expected: str, found: str, hint: str) -> Verdict:
    message = "this file is too large to be judged" if code == "structure.too-large" else "neither sealed nor packed"
    finding = Finding(code, message, Place(offset=0), expected, found, hint)
    rest = CheckResult("signature", "signature", "", NOT_RUN, (), "there is nothing that could be signed")
    return Verdict(name, "unknown", device, (CheckResult("kind", "structure", "", FAILED, (finding,)), rest))
