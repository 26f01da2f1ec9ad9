"""Whom devices in the field trust, as the release log has it; and the refusal of releases that these would not take.

A device trusts the keys that it left the factory with until a trust anchor set gives it others. So every release is
held against the trust anchors of all releases before it of its class and channel: docs/decisions/055-trusted-before.md.
"""

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from imgseal.check.trust_update import fixed_by
from imgseal.errors import UsageError
from imgseal.formats.log.entry import Anchors, AnchorsMade, Entry, Line
from imgseal.formats.log.floors import of_recovery
from imgseal.make.seal import SealedImage
from imgseal.records import NamedTuple
from imgseal.workspace.log_entries import anchors_of

if TYPE_CHECKING:
    from imgseal.flow.release import Job
    from imgseal.product.model import Product
    from imgseal.workspace.project import Project
    from imgseal.workspace.verified_log import VerifiedLog


# of verified lines, which have one encoding; texts in them have no bare quotes
_SET = re.compile(rb'"kind":"anchors",')
_ANCHORS = re.compile(rb'"channel":"([^"\n]*)","revision".*?"bootloader":("[^"\n]*"|null),"anchors":(\{[^}\n]*\})')


class Signed(NamedTuple):
    """Identifiers of the keys that sign a release: each of its images, and its package; None while some are missing."""

    images: tuple[frozenset[bytes], ...]
    package: frozenset[bytes] | None


def signed_by(job: "Job") -> Signed:
    """Return who signs what the job makes, or has signed the images that it packs."""
    mine = frozenset(signer.public.key_id for signer in job.image_signers)
    images = (
        frozenset(slot.key_id for slot in file.content.statement.signatures)
        if isinstance(file.content, SealedImage)
        else mine
        for file in job.firmware
    )
    package = frozenset(signer.public.key_id for signer in job.package_signers)
    return Signed(tuple(dict.fromkeys(images)), None if job.unfinished else package)


def refuse_untrusted(project: "Project", job: "Job", line: Line, log: "VerifiedLog") -> None:
    """UsageError where devices that left the factory with earlier trust anchors would not take the release.

    Those for which a trust anchor set has been made since can be given that one first.
    """
    if of_recovery(line[1]):
        return  # the production line programs them, beside trust anchors of today
    channel, product, signed = project.product.channel or "", job.product, signed_by(job)
    last = log.last_of(line, channel)
    if last is not None and last.anchors == anchors_of(project) and _as_before(last, line, signed):
        return  # as the last release, which was held against those before it
    made = list(sets_of(log, line[0]))
    first = product.layout.bootloader
    for entry, anchors in _anchors(log, line[0], channel):
        left = first is not None and entry.bootloader is not None and entry.bootloader < first
        role = None if left else _refused(anchors, signed)
        if role is None or any(_refused(_of_set(each, anchors), signed) is None for each in made):
            continue
        keys, need = (
            (anchors.images, anchors.need_images) if role == "images" else (anchors.packages, anchors.need_packages)
        )
        found = signed.package if role == "packages" else next(
            each for each in signed.images if len(each & set(keys)) < need
        )  # fmt: skip
        raise UsageError(
            "devices in the field do not trust who signs this release",
            place=product.place(f"trust.{role}.keys"),
            expected=f"{need} of {', '.join(key.hex() for key in keys)}, as entry {entry.number} of {log.path} has it",
            found=", ".join(sorted(key.hex() for key in found or ())),
            hint=f"sign with a key that they trust as well. It would strand devices of class {product.class_name} "
            f"that left the factory since {entry.version} (entry {entry.number}){_way_out(product)}",
        )


def _way_out(product: "Product") -> str:
    """Say how devices learn of another key; the product file is laid out as they are."""
    if fixed_by(product) is not None:
        return ": they have no room for other trust anchors, so that nothing can tell them of another key"
    return ", unless a trust anchor set tells them of the new key first: imgseal trust replace"


def _as_before(last: Entry, line: Line, signed: Signed) -> bool:
    package = next((each for each in last.packages if each.line == line), None)
    if package is None or not signed.package or frozenset(package.keys) != signed.package:
        return False
    return set(signed.images) <= {frozenset(image.keys) for image in package.images}


def _refused(anchors: Anchors, signed: Signed) -> str | None:
    """Return what devices with these trust anchors refuse: `images` or `packages`; None where they take it all."""
    if signed.package is not None and len(signed.package & set(anchors.packages)) < anchors.need_packages:
        return "packages"
    refused = any(len(keys & set(anchors.images)) < anchors.need_images for keys in signed.images)
    return "images" if refused else None


def _of_set(made: AnchorsMade, before: Anchors) -> Anchors:
    """Return the trust anchors of devices that have taken a set; how many have to sign stays as it was."""
    return before._replace(images=made.images, packages=made.packages)


def sets_of(log: "VerifiedLog", class_id: bytes) -> Iterator[AnchorsMade]:
    """Yield the trust anchor sets that were made for devices of a class, the oldest first."""
    for found in _SET.finditer(log.data):
        entry = log.entry_over(found.start())
        if isinstance(entry, AnchorsMade) and entry.class_id == class_id:
            yield entry


def _anchors(log: "VerifiedLog", class_id: bytes, channel: str) -> Iterator[tuple[Entry, Anchors]]:
    """Yield the trust anchors that releases of a class and channel have had, each once, with the first release."""
    seen = set()
    for found in _ANCHORS.finditer(log.data):
        end = log.data.find(b"\n", found.end())
        if found[1].decode() != channel or found.groups() in seen:
            continue
        if log.data.find(b'"class":"' + class_id.hex().encode(), found.end(), len(log.data) if end < 0 else end) < 0:
            continue
        seen.add(found.groups())
        entry = log.entry_over(found.start())
        if isinstance(entry, Entry) and entry.anchors is not None:
            yield entry, entry.anchors
