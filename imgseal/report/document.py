"""A report as JSON values, format 1. The page is made from these and nothing else, so both say the same."""

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from imgseal.check.context import component_named
from imgseal.compare.text import comparison_document
from imgseal.findings import CODES, FAILED, NOT_RUN, OF_RELEASES, PASSED
from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.named_bill import text_of
from imgseal.formats.suit.outline import branches
from imgseal.paths.text import survey_document
from imgseal.rehearse.cuts_text import cuts_document, journal_keeps, was_answered
from imgseal.rehearse.text import rehearsal_document
from imgseal.report.evidence import DISCLAIMER, Scheme, judged, schemes
from imgseal.report.inputs import Material
from imgseal.report.memory_map import MemoryMap, contents_of_slots, memory_maps
from imgseal.report.observations import Observation, observe
from imgseal.report.timeline import down_spans, lanes
from imgseal.workspace.verdict_json import verdict_document

if TYPE_CHECKING:
    from imgseal.flow.contents import Image
    from imgseal.formats.suit.envelope import Envelope
    from imgseal.keys.trusted_keys import TrustedKey
    from imgseal.product.model import Component
    from imgseal.rehearse.cuts_text import Explored
    from imgseal.rehearse.play import Rehearsal

Json = dict[str, Any]

OUTCOMES: dict[str, Callable[[Json], bool]] = {
    "passed": lambda check: check["outcome"] == PASSED,
    "failed": lambda check: check["outcome"] == FAILED,
    "did_not_run": lambda check: check["outcome"] == NOT_RUN and check["mandatory"],
    "did_not_apply": lambda check: check["outcome"] == NOT_RUN and not check["mandatory"],
}
"""What became of a check of a verdict document; one that had nothing to look at did not apply, and lets it stand."""


def report_document(material: Material) -> Json:
    """Return everything that a report says; docs/format/report.schema.json is the contract. Keys are always there."""
    product = material.product
    verdict = verdict_document(material.verdict)
    played = material.rehearsal
    return {
        "format": 1,
        "imgseal": material.tool,
        "made": material.made,
        "judged_for": {
            "name": product.name,
            "vendor": product.vendor,
            "vendor_id": product.vendor_id.hex(),
            "class": product.class_name,
            "class_id": product.class_id.hex(),
            "variant": product.variant,
            "hardware": list(product.hardware),
        },
        "package": _package(material),
        "verdict": verdict,
        "counts": {name: sum(map(fits, verdict["checks"])) for name, fits in OUTCOMES.items()},
        "memories": _memories(material),
        "components": [_component(material, component) for component in product.components.values()],
        "trust_anchors": [_key(material, key) for key in material.trust.keys],
        "signers_needed": {"images": material.trust.need_images, "packages": material.trust.need_packages},
        "manifest": [
            {"depth": depth, "text": text}
            for depth, text in (branches(material.envelope) if material.envelope is not None else ())
        ],
        "comparison": None if material.comparison is None else comparison_document(material.comparison),
        "paths": None if material.paths is None else survey_document(material.paths, material.tool),
        "rehearsal": None if played is None else _rehearsal(material, played),
        "not_rehearsed": (material.not_rehearsed or "not asked for: --rehearse") if played is None else None,
        "explored": None if material.explored is None else _explored(material, material.explored),
        "refusals": [
            {
                "what": change.what,
                "answer": "accepted" if change.first is None else "refused",
                "first_finding": change.first if change.first in CODES else None,
                "expected": [code for code in change.codes if code in CODES],
                "fits": change.fits,
            }
            for change in material.changes
        ],
        "untried": material.untried,
        "evidence": _evidence(observe(material)),
        "codes": {**CODES, **OF_RELEASES},
    }


def _package(material: Material) -> Json:
    contents, bill = material.contents, material.bill
    return {
        "name": material.name,
        "size": material.size,
        "sha256": material.sha256.hex(),
        "readable": {
            "envelope": material.envelope is not None,
            "contents": contents is not None,
            "text": material.envelope is not None and _has_text(material.envelope),
        },
        "manifest_digest": None if contents is None else contents.manifest_digest.hex(),
        "sequence": None if contents is None else contents.sequence,
        "release": next((text for label, text in material.verdict.details if label == "release"), None),
        "says": _says(material),
        "delivered": _delivered(material),
        "signed_by": [key.source for key in material.signers],
        "sbom": None if bill is None else {**_fields(bill, "kind", "version", "size"), "sha256": bill.digest.hex()},
        "log": None if contents is None else material.logged,
        "log_kept": material.product.log is not None,
        "private_keys": None if contents is None else [leak._asdict() for leak in material.leaks],
    }


def _delivered(material: Material) -> Json | None:
    """Return who has wrapped the release, and what travels for which slot; None for the package itself."""
    if material.verdict.kind != "delivery":
        return None
    said = material.verdict.details
    return {
        "sent_by": next((text for label, text in said if label == "sent by"), None),
        "steps": [text for label, text in said if label == "delivers"],
    }


def _has_text(envelope: "Envelope") -> bool:
    """Whether the text can be read, or there is none: one that was taken out may have named what is not seen here."""
    try:
        return not isinstance(text_of(envelope), SuitDigest)
    except SuitError:
        return False


def _says(material: Material) -> Json | None:
    """Return whom the package says it is for: what its manifest sets for all components, and what its images say."""
    if material.envelope is None or material.contents is None:
        return None
    statements = [image.statement for image in material.contents.images.values()]
    ids = {labels.VENDOR_ID: [s.vendor_id for s in statements], labels.CLASS_ID: [s.class_id for s in statements]}
    try:
        shared = decode_manifest(material.envelope.manifest).shared
    except SuitError:
        shared = ()
    for code, argument in shared:
        if code == labels.OVERRIDE_PARAMETERS and isinstance(argument, dict):
            for label, found in ids.items():
                found += [value for key, value in argument.items() if key == label and isinstance(value, bytes)]
    return {
        "vendor_ids": sorted({value.hex() for value in ids[labels.VENDOR_ID]}),
        "class_ids": sorted({value.hex() for value in ids[labels.CLASS_ID]}),
        "hardware": [list(each) for each in sorted({s.hardware for s in statements})],
    }


def _memories(material: Material) -> list[Json]:
    device = not material.state.fresh or bool(material.held)
    installs = material.verdict.installs if material.verdict.accepted else ()
    contents = contents_of_slots(material.product, material.contents, material.held, installs if device else None)
    return [_memory(each) for each in memory_maps(material.product, contents)]


def _memory(each: MemoryMap) -> Json:
    return {
        **_fields(each.memory, "name", "base", "size", "erase_block", "trusted"),
        "ranges": [
            {
                **_fields(part, "start", "size", "slot", "use", "new", "used", "over"),
                "holds": None if part.inside.holds is None else part.inside.holds._asdict(),
                "brings": None
                if part.inside.brings is None
                else {**part.inside.brings._asdict(), "installs": part.inside.installs, "same": part.inside.same},
                "free": None if part.after is None else part.free,
            }
            for part in each.ranges
        ],
    }


def _component(material: Material, component: "Component") -> Json:
    contents = material.contents
    images = [i for i in contents.images.values() if i.component == component.name] if contents is not None else []
    return {
        **_fields(component, "name", "number", "kind", "description", "counter_steps", "judged", "hazard", "recovery"),
        "in_package": None if contents is None else bool(images),
        "counter_before": material.state.counters.get(component.number),
        "way_back": component.returns,
        "images": [_image(material, component, image) for image in images],
    }


def _image(material: Material, component: "Component", image: "Image") -> Json:
    """Return what one image says of itself: two of a component may have been sealed at different times."""
    product, said, steps = material.product, image.statement, component.counter_steps
    verified = _verified(material, image)
    return {
        "slot": image.slot,
        "version": str(said.version),
        "counter": said.counter,
        "steps_left": None if steps is None or said.counter > steps else steps - said.counter,
        "counter_fits": None if steps is None else said.counter <= steps,
        "needs": [f"{component_named(product, need.component)} {need}" for need in said.needs],
        "vendor_id": said.vendor_id.hex(),
        "class_id": said.class_id.hex(),
        "hardware": list(said.hardware),
        "built": said.build_time,
        "revision": said.source_revision.hex() or None,
        "development": said.development,
        "payload": said.payload_size,
        "room": product.slots[image.slot].size - (0 if said.detached else component.header_block),
        "sha256": said.payload_digest.hex(),
        "signatures": [
            {
                "algorithm": ALGORITHMS.get(s.algorithm, str(s.algorithm)),
                "key": s.key_id.hex(),
                "verified": s.key_id in verified,
            }
            for s in said.signatures
        ],
        "verified": bool(verified),
    }


def _verified(material: Material, image: "Image") -> tuple[bytes, ...]:
    """Return the identifiers of the keys whose signatures on an image the judge has verified, over these very bytes.

    A key that a signature slot names without being verified, such as one that nobody asked about, has signed nothing.
    """
    header = image.content if image.header is None else image.header
    return material.verdict.signed.get(bytes(header[: image.statement.header_block]), ())


def _key(material: Material, key: "TrustedKey") -> Json:
    signed = ["the package"] if key in material.signers else []
    images = material.contents.images.values() if material.contents is not None and key.role == "images" else ()
    signed += [image.slot for image in images if key.key_id in _verified(material, image)]
    return {
        "file": key.source,
        **_fields(key, "role", "development"),
        "kind": key.public.words,
        "thumbprint": key.public.thumbprint.hex(),
        "components": list(key.components),
        "classes": list(key.classes),
        "from": key.first,
        "until": key.last,
        "known_to_everyone": key.published,
        "signed": signed,
    }


def _rehearsal(material: Material, played: "Rehearsal") -> Json:
    cuts = played.violation.token.cuts if played.violation is not None else ()
    return {
        **rehearsal_document(played, material.name, material.rehearsed_on or ""),
        "picture": {
            "operations": len(played.worked),
            "lanes": [
                {**lane._asdict(), "spans": [list(span) for span in lane.spans]}
                for lane in lanes(played.worked, material.product)
            ],
            "down": [[span.first, span.end] for span in down_spans(played.worked)],
            "events": [{"at": at, "what": what} for at, what in zip(played.said_at, played.events, strict=False)],
            "broken_at": cuts[0] if cuts else None,
        },
    }


def _explored(material: Material, explored: "tuple[Explored, ...]") -> Json:
    device, keeps = material.rehearsed_on or "", journal_keeps(material.product)
    holds = was_answered(explored, material.cuts)
    return cuts_document(explored, material.name, device, keeps, changing=False, holds=holds)


def _evidence(seen: dict[str, Observation]) -> Json:
    return {
        "disclaimer": DISCLAIMER,
        "observations": [observation._asdict() for observation in seen.values()],
        "schemes": [_scheme(scheme, seen) for scheme in schemes()],
    }


def _scheme(scheme: Scheme, seen: dict[str, Observation]) -> Json:
    rows = [
        {
            **_fields(row, "clause", "status", "gist", "maker"),
            "result": judged(row, seen),
            "observations": [*row.shows, *row.supports],
        }
        for row in scheme.rows
    ]
    return {
        **_fields(scheme, "id", "title", "origin"),
        "rows": rows,
        "counts": dict(Counter(row["result"] for row in rows)),
    }


def _fields(value: object, *names: str) -> Json:
    """Return what a document takes from a value as it is."""
    return {name: getattr(value, name) for name in names}
