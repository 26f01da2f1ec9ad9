"""Entries of the release log in words: a row for each in the list, lines for one."""

from collections.abc import Sequence

from imgseal.formats.log.entry import (
    RECOVERY,
    AddedSignature,
    AnchorsMade,
    DeliveryMade,
    Entry,
    Logged,
    LoggedPackage,
    Reservation,
    Surrender,
    Withdrawal,
    kind_of,
)
from imgseal.formats.log.lines import Tip
from imgseal.formats.trust_anchors.codec import number_words
from imgseal.records import NamedTuple
from imgseal.times import utc


class Since(NamedTuple):
    """What the end of a log says of the entries before it: reservations that are open, manifests that are withdrawn."""

    open: frozenset[int] = frozenset()
    withdrawn: frozenset[bytes] = frozenset()

    @classmethod
    def of(cls, tip: Tip) -> "Since":
        """Read it from the floors, which have all of it."""
        reserved = frozenset(row.entry for floor in tip.least for row in floor.open)
        return cls(reserved, frozenset(digest for floor in tip.least for digest in floor.withdrawn))

    def mark(self, number: int, manifests: Sequence[bytes]) -> str:
        """Return what stands behind an entry in the list, with the manifests that it has shipped."""
        gone = [manifest in self.withdrawn for manifest in manifests]
        if any(gone):
            return "  withdrawn" if all(gone) else "  withdrawn in part"
        return "  open" if number in self.open else ""


NOTHING = Since()
"""Where nothing is known of what came later, as of an entry with a proof."""


def row(entry: Logged, key: bytes | None) -> str:
    """Return an entry as one line; with a key, what that one has signed."""
    return f"{entry.number:>4}  {_said(entry, key)}"


def _for(package: LoggedPackage) -> str:
    """Return whose package it is: the variant, or that of it there is the recovery image alone; else nothing."""
    name = package.variant.removesuffix(RECOVERY)
    return ", ".join(filter(None, (name, "" if name == package.variant else "recovery image alone")))


def _said(entry: Logged, key: bytes | None) -> str:
    if isinstance(entry, Entry | Reservation):
        mark = "" if kind_of(entry) == "release" else f"{kind_of(entry)} of "
        text = f"{mark}{entry.product} {entry.version}  sequence {entry.sequence}  {utc(entry.built)}"
        text += f"  channel {entry.channel}" if entry.channel else ""
        if key is None:
            variants = [words for package in entry.packages if (words := _for(package))]
            return text + (f"  {'; '.join(variants)}" if variants else "")
        signed = []
        for package in entry.packages:
            of = f" of {words}" if (words := _for(package)) else ""
            if key in package.keys:
                signed.append(f"package{of}")
            signed += [f"{image.slot}{of}" for image in package.images if key in image.keys]
        return f"{text}  signed {', '.join(signed)}"
    if isinstance(entry, Surrender):
        return f"reservation of entry {entry.entry} surrendered  {utc(entry.built)}  {entry.why}"
    if isinstance(entry, Withdrawal):
        return f"release of entry {entry.entry} withdrawn  {utc(entry.built)}  {entry.why}"
    if isinstance(entry, AddedSignature):
        signed = [f"package of entry {entry.entry}"] if key is None or key in entry.keys else []
        return f"signature added to entry {entry.entry}  {utc(entry.built)}  signed {', '.join(signed)}"
    if isinstance(entry, DeliveryMade):
        text = f"delivery of entry {entry.entry}  {utc(entry.built)}"
        return text if key is None else f"{text}  signed the delivery"
    text = f"trust anchor set {number_words(entry.generation)}  {utc(entry.built)}"
    return text if key is None else f"{text}  signed the set"


def lines(entry: Logged, since: Since = NOTHING, origin: Logged | None = None) -> list[str]:
    """Return an entry for people; of a promotion `origin` is the release whose sealed images it has, where known."""
    if isinstance(entry, Entry | Reservation):
        return _release(entry, since, origin)
    out = [f"  {kind_of(entry):<10} made {utc(entry.built)} by imgseal {entry.tool}"]
    if isinstance(entry, AddedSignature):
        out += [f"  of         entry {entry.entry}, manifest {entry.manifest.hex()}"]
        return out + [f"    signed by {key.hex()}" for key in entry.keys]
    if isinstance(entry, DeliveryMade):
        out += [f"  of         entry {entry.entry}, manifest {entry.manifest.hex()}"]
        out += [f"  manifest   {entry.delivery.hex()}", *(f"    from     {base.hex()}" for base in entry.bases)]
        return out + [f"    signed by {key.hex()}" for key in entry.keys]
    if isinstance(entry, AnchorsMade):
        out += [f"  set        {number_words(entry.generation)}, class {entry.class_id.hex()}"]
        out += [f"  sha-256    {entry.digest.hex()}", f"    signed by {entry.signer.hex()}"]
        roles = (("images", entry.images), ("packages", entry.packages), ("deliveries", entry.deliveries))
        for word, keys in (*roles, ("revoked", entry.revoked)):
            out += [f"  {word:<10} {key.hex()}" for key in keys]
        return out
    out.append(f"  of         entry {entry.entry}")
    if isinstance(entry, Withdrawal):
        out += [f"    manifest  {package.manifest.hex()}" for package in entry.packages]
    return [*out, f"  why        {entry.why}"]


def _release(entry: Entry | Reservation, since: Since, origin: Logged | None) -> list[str]:
    kind = kind_of(entry)
    # made at its own time, a promotion has images of the time of its release: they are not made again with another
    promoted = isinstance(entry, Entry) and entry.origin is not None
    epoch = "" if promoted else f" (SOURCE_DATE_EPOCH={entry.built})"
    out = [
        f"  {kind:<10} {entry.product} {entry.version}, sequence {entry.sequence}, of {entry.vendor}",
        f"  built      {utc(entry.built)}{epoch} by imgseal {entry.tool}",
        f"  revision   {entry.revision.hex() or 'not stated'}",
    ]
    if entry.channel:
        out.append(f"  channel    {entry.channel}")
    if isinstance(entry, Entry):
        said = (("again", entry.again), ("unrecorded", entry.unrecorded))
        out += [f"  {word:<10} {text}" for word, text in said if text]
        numbers = (("reserved", entry.reserved), ("from", entry.origin))
        out += [f"  {word:<10} entry {number}" for word, number in numbers if number is not None]
        if isinstance(origin, Entry):
            out[-1] += f", sealed {utc(origin.built)} (SOURCE_DATE_EPOCH={origin.built})"
    for package in entry.packages:
        mark = f"{words}, " if (words := _for(package)) else ""
        out.append(f"  package    {mark}class {package.class_id.hex()}")
        if package.manifest:
            gone = ", withdrawn" if package.manifest in since.withdrawn else ""
            out.append(f"    manifest  {package.manifest.hex()}{gone}")
        out += [f"    signed by {key.hex()}" for key in package.keys]
        for image in package.images:
            out.append(f"    image     {image.name} {image.version} in {image.slot}, counter {image.counter}")
            out.append(f"      statement {image.statement.hex()}")
            out += [f"      signed by {key.hex()}" for key in image.keys]
    return out
