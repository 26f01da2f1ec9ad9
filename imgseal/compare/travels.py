"""What travels of an update: a delivery beside a package, or another delivery, slot by slot."""

from collections.abc import Iterator

from imgseal.check.machine.plan import gather
from imgseal.compare.difference import Change
from imgseal.compare.text import change_line
from imgseal.errors import InputError, in_file
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, decode_sequence
from imgseal.formats.suit.component import ours
from imgseal.formats.suit.delivery import PLAIN, RELEASE_KEY, Step, decode_delivery, is_delivery
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import Envelope, decode_envelope
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.versions import suit_words
from imgseal.window import ByteView


class Build(NamedTuple):
    """What a release has for a slot: size, SHA-256, and the version that its manifest states."""

    size: int
    digest: bytes
    version: str | None


class Sent(NamedTuple):
    """What travels for a slot: how, in how many bytes, and the SHA-256 of the image that a patch starts from."""

    form: str
    size: int
    base: bytes | None
    base_in: str | None


class Update(NamedTuple):
    """A package or a delivery: how large it is, of which release, what that has for each slot, and what travels."""

    name: str
    size: int
    version: str | None
    sequence: int
    builds: dict[str, Build]
    sent: dict[str, list[Step]]


class SlotTravel(NamedTuple):
    """A slot by its name: what the release changes there, and what travels for it."""

    component: str
    slot: str
    changes: tuple[Change, ...]
    unchanged: bool
    sent: tuple[Sent, ...]


class Travel(NamedTuple):
    """Two updates side by side, of which one at least is a delivery."""

    old: str
    new: str
    changes: tuple[Change, ...]
    slots: tuple[SlotTravel, ...]


def read_update(data: ByteView, name: str, product: Product) -> Update:
    """Read a package or a delivery; InputError where it is neither."""
    try:
        with in_file(name):
            envelope = decode_envelope(data.read(0, data.size))
            wraps = is_delivery(envelope)
            inside = decode_envelope(envelope.payloads[RELEASE_KEY]) if wraps else envelope
            return _read(envelope, inside, name, data.size, product, wraps=wraps)
    except InputError as error:
        error.hint = "is it an update package or a delivery (.suit)? imgseal check says more"
        raise


def _read(envelope: Envelope, inside: Envelope, name: str, size: int, product: Product, *, wraps: bool) -> Update:
    manifest = decode_manifest(inside.manifest)
    sections: dict[int, Sequence] = {
        label: member
        for label, member in manifest.members.items()
        if isinstance(member, tuple) and not isinstance(member, SuitDigest)
    }
    for label in (labels.PAYLOAD_FETCH, labels.INSTALL):
        if label in inside.severed:
            sections[label] = decode_sequence(inside.severed[label], labels.MANIFEST_MEMBERS[label])
    plans = gather(len(manifest.components), manifest.shared, sections)
    builds: dict[str, Build] = {}
    sent: dict[str, list[Step]] = {}
    for identity, plan in zip(manifest.components, plans, strict=True):
        part = ours(identity)
        component = None if part is None else product.component(part.number)
        slots = () if component is None or part is None else component.header if part.header else component.run
        image, stated = plan.said(labels.IMAGE_SIZE, int), plan.said(labels.IMAGE_DIGEST, SuitDigest)
        if part is None or part.slot >= len(slots) or image is None or stated is None:
            continue
        slot = slots[part.slot]
        builds[slot] = Build(image, stated.value, suit_words(plan.version))
        if not wraps and any(uri in envelope.payloads for uri in plan.uris):
            sent[slot] = [Step(part, PLAIN, image, stated.value)]
    if wraps:
        for step in decode_delivery(envelope.manifest).steps:
            component = product.component(step.part.number)
            slots = () if component is None else component.header if step.part.header else component.run
            if step.part.slot < len(slots):
                sent.setdefault(slots[step.part.slot], []).append(step)
    return Update(name, size, suit_words(manifest.set_version), manifest.sequence_number, builds, sent)


def travel(old: Update, new: Update, product: Product) -> Travel:
    """Compare two updates; slots in the order of the product file."""
    pairs = [
        ("release", old.version, new.version),
        ("sequence", str(old.sequence), str(new.sequence)),
        ("travels", f"{old.size} bytes", f"{new.size} bytes"),
    ]
    slots = [
        SlotTravel(
            component.name, name, tuple(_changes(old, new, name)), _same(old, new, name), tuple(_sent(old, new, name))
        )
        for component in product.components.values()
        for name in (*component.run, *component.header)
        if name in new.builds
    ]
    return Travel(old.name, new.name, tuple(Change(*pair) for pair in pairs if pair[1] != pair[2]), tuple(slots))


def _same(old: Update, new: Update, slot: str) -> bool:
    return slot in old.builds and old.builds[slot][:2] == new.builds[slot][:2]


def _changes(old: Update, new: Update, slot: str) -> Iterator[Change]:
    before, after = old.builds.get(slot), new.builds[slot]
    rows = (
        ("version", None if before is None else before.version, after.version),
        ("image", None if before is None else f"{before.size} bytes", f"{after.size} bytes"),
    )
    return (Change(*row) for row in rows if row[1] != row[2])


def _sent(old: Update, new: Update, slot: str) -> Iterator[Sent]:
    """Yield what travels for a slot, and in which slot of the older one a patch finds its base."""
    for step in new.sent.get(slot, []):
        base = None if step.base is None else step.base.digest
        there = None if base is None else next((name for name, b in old.builds.items() if b.digest == base), None)
        yield Sent(step.form, step.size, base, there)


def travel_lines(found: Travel) -> Iterator[str]:
    """Yield the lines of a comparison without line ends."""
    yield f"{found.old} -> {found.new}; nothing is verified here"
    yield from map(change_line, found.changes)
    for slot in found.slots:
        yield ""
        yield f"{slot.component} in {slot.slot}"
        if slot.unchanged:
            yield "  the same bytes"
        yield from map(change_line, slot.changes)
        for each in slot.sent:
            base = "" if each.base is None else f", from {each.base_in or f'SHA-256 {each.base.hex()[:16]}...'}"
            where = f" of {found.old}" if each.base_in else ""
            yield f"  {'travels':<11}{each.form}, {each.size} bytes{base}{where}"
        if not slot.sent:
            yield f"  {'travels':<11}nothing"


def travel_document(found: Travel) -> dict[str, object]:
    """Return the values for JSON, format 1; docs/cli.md describes them."""
    return {
        "format": 1,
        "old": found.old,
        "new": found.new,
        "changes": [change._asdict() for change in found.changes],
        "slots": [
            {
                "component": slot.component,
                "slot": slot.slot,
                "changes": [change._asdict() for change in slot.changes],
                "unchanged": slot.unchanged,
                "travels": [
                    {"form": s.form, "bytes": s.size, "base": s.base and s.base.hex(), "base_in": s.base_in}
                    for s in slot.sent
                ],
            }
            for slot in found.slots
        ],
    }
