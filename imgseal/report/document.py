"""A report as JSON values, format 1. The page is made from these and nothing else, so both say the same."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from imgseal.cose.labels import ALGORITHMS
from imgseal.findings import CODES, PASSED
from imgseal.report.comparison import comparison_document
from imgseal.report.evidence import DISCLAIMER, judged, schemes
from imgseal.report.json_form import verdicts_document
from imgseal.report.lanes import down_spans, lanes
from imgseal.report.lying import lying_in
from imgseal.report.material import Material
from imgseal.report.memory_map import MemoryMap, memory_maps
from imgseal.report.probes import Probe, probes
from imgseal.report.rehearsal import rehearsal_document
from imgseal.suit.outline import outline

if TYPE_CHECKING:
    from imgseal.keys.trust import TrustedKey
    from imgseal.product.model import Component

__all__ = ["report_document"]

Json = dict[str, Any]


def report_document(material: Material) -> Json:
    """Return everything that a report says; docs/report.md describes the keys. Keys are always there."""
    product, contents, bill = material.product, material.contents, material.bill
    verdicts: Any = verdicts_document([material.verdict], material.tool)["verdicts"]
    seen = probes(material)
    return {
        "format": 1,
        "imgseal": material.tool,
        "made": material.made,
        "product": {
            "name": product.name,
            "vendor": product.vendor,
            "vendor_id": product.vendor_id.hex(),
            "class": product.class_name,
            "class_id": product.class_id.hex(),
            "variant": product.variant,
            "hardware": list(product.hardware),
        },
        "package": {
            "name": material.name,
            "size": material.size,
            "sha256": material.sha256.hex(),
            "manifest_digest": None if contents is None else contents.manifest_digest.hex(),
            "sequence": None if contents is None else contents.sequence,
            "release": _release(material),
            "signed_by": [key.source for key in material.signers],
            "sbom": None
            if bill is None
            else {"kind": bill.kind, "version": bill.version, "size": bill.size, "sha256": bill.digest.hex()},
            "log": material.logged,
            "private_keys": [leak._asdict() for leak in material.leaks],
        },
        "verdict": verdicts[0],
        "memories": [_memory(each) for each in memory_maps(product, lying_in(product, contents, material.held))],
        "components": [_component(material, component) for component in product.components.values()],
        "trust_anchors": [_key(material, key) for key in material.trust.keys],
        "signers_needed": {"images": material.trust.need_images, "packages": material.trust.need_packages},
        "manifest": [] if material.envelope is None else list(outline(material.envelope)),
        "comparison": None if material.comparison is None else comparison_document(material.comparison),
        "rehearsal": _rehearsal(material),
        "changes": [{"what": change.what, "first_finding": change.first} for change in material.changes],
        "evidence": _evidence(seen),
        "codes": dict(CODES),
    }


def _release(material: Material) -> str | None:
    return next((text for label, text in material.verdict.details if label == "release"), None)


def _memory(each: MemoryMap) -> Json:
    memory = each.memory
    return {
        "name": memory.name,
        "base": memory.base,
        "size": memory.size,
        "erase_block": memory.erase_block,
        "trusted": memory.trusted,
        "ranges": [
            {
                "start": part.start,
                "size": part.size,
                "slot": part.slot,
                "use": part.use,
                "holds": None if part.lying is None else part.lying.words,
                "new": part.lying is not None and part.lying.new,
                "used": 0 if part.lying is None else part.lying.used,
                "free": None if part.lying is None else part.free,
            }
            for part in each.ranges
        ],
    }


def _component(material: Material, component: "Component") -> Json:
    contents, names = material.contents, {0: "bootloader"}
    names |= {c.number: c.name for c in material.product.components.values()}
    images = [i for i in contents.images.values() if i.component == component.name] if contents is not None else []
    said = images[0].statement if images else None
    before = material.state.counters.get(component.number)
    counter = component.counter if said is None else said.counter
    return {
        "name": component.name,
        "number": component.number,
        "kind": component.kind,
        "description": component.description,
        "in_package": said is not None,
        "version": str(component.version if said is None else said.version),
        "counter": counter,
        "counter_before": before,
        "counter_steps": component.counter_steps,
        "steps_left": None if component.counter_steps is None else component.counter_steps - counter,
        "judged": component.judged,
        "hazard": component.hazard,
        "recovery": component.recovery,
        "way_back": component.returns,
        "needs": [] if said is None else [f"{names.get(n.component, n.component)} {n}" for n in said.needs],
        "built": None if said is None else said.build_time,
        "revision": None if said is None else said.source_revision.hex() or None,
        "images": [
            {
                "slot": image.slot,
                "payload": image.statement.payload_size,
                "room": _room(material, image.slot, component, detached=image.statement.detached),
                "sha256": image.statement.payload_digest.hex(),
                "signatures": [
                    {"algorithm": ALGORITHMS.get(s.algorithm, str(s.algorithm)), "key": s.key_id.hex()}
                    for s in image.statement.signatures
                ],
                "verified": _verified(material, image.slot),
            }
            for image in images
        ],
    }


def _room(material: Material, slot: str, component: "Component", *, detached: bool) -> int:
    return material.product.slots[slot].size - (0 if detached else component.header_block)


def _verified(material: Material, slot: str) -> bool:
    """Whether the signature of the image for a slot holds, by the judge's own check."""
    return any(c.subject == slot and c.name == "signature" and c.outcome == PASSED for c in material.verdict.checks)


def _key(material: Material, key: "TrustedKey") -> Json:
    signed = ["the package"] if key in material.signers else []
    for image in material.contents.images.values() if material.contents is not None else ():
        mine = key.role == "images" and any(s.key_id == key.key_id for s in image.statement.signatures)
        if mine and _verified(material, image.slot):
            signed.append(image.slot)
    return {
        "file": key.source,
        "role": key.role,
        "development": key.development,
        "kind": key.public.words,
        "thumbprint": key.public.thumbprint.hex(),
        "components": list(key.components),
        "classes": list(key.classes),
        "from": key.first,
        "until": key.last,
        "known_to_everyone": key.published,
        "signed": signed,
    }


def _rehearsal(material: Material) -> Json | None:
    played = material.rehearsal
    if played is None:
        return None
    document = rehearsal_document(played, material.name, material.rehearsed_on or "")
    violation = played.violation
    cut = violation.token.cuts[0] if violation is not None and violation.token.cuts else None
    return {
        **document,
        "picture": {
            "operations": len(played.worked),
            "lanes": [
                {**lane._asdict(), "spans": [list(span) for span in lane.spans]}
                for lane in lanes(played.worked, material.product)
            ],
            "down": [[span.first, span.end] for span in down_spans(played.worked)],
            "events": [{"at": at, "what": what} for at, what in zip(played.said_at, played.events, strict=False)],
            "broken_at": cut,
        },
    }


def _evidence(seen: dict[str, Probe]) -> Json:
    return {
        "disclaimer": DISCLAIMER,
        "observations": [probe._asdict() for probe in seen.values()],
        "schemes": [
            {
                "id": scheme.id,
                "title": scheme.title,
                "origin": scheme.origin,
                "rows": [
                    {
                        "clause": row.clause,
                        "status": row.status,
                        "gist": row.gist,
                        "result": judged(row, seen),
                        "observations": list(row.shows),
                        "maker": row.maker,
                    }
                    for row in scheme.rows
                ],
                "counts": dict(_counts(judged(row, seen) for row in scheme.rows)),
            }
            for scheme in schemes()
        ],
    }


def _counts(results: Iterator[str]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for result in results:
        counts[result] = counts.get(result, 0) + 1
    return counts
