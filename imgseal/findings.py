"""Findings and verdicts: how the judge says no, and that it has looked at everything.

A check has passed, failed or not run. A check that did not run has not passed. A verdict is accepted only when every
mandatory check ran and passed. Codes are words, stable, never reused; docs/checks.md has an entry for each.
"""

from collections.abc import Mapping
from typing import NoReturn

from imgseal.errors import ImgsealError, Place
from imgseal.records import NamedTuple

GROUPS = ("structure", "trust", "signature", "identity", "rules", "rollback", "placement", "digest", "content")
"""The judge's order. Everything before `digest` needs no payload byte."""

PASSED, FAILED, NOT_RUN = "passed", "failed", "not run"

CODES = {
    "structure.unrecognised": "the file is neither a sealed image, a detached header nor an update package",
    "structure.too-large": "the file is larger than the judge reads",
    "structure.truncated": "the file ends before what its header announces",
    "structure.format-unsupported": "the header block has a format version that is not read here",
    "structure.field-invalid": "a field of the statement holds a value that is not allowed",
    "structure.unknown-flag": "a flag is set that the format does not define",
    "structure.header-block": "the header block's size is not allowed or too small for its signatures",
    "structure.fill-not-erased": "the unused rest of the header block is not 0xFF",
    "structure.bytes-after-payload": "something follows the payload",
    "structure.payload-missing": "the payload of a detached header was not given",
    "structure.envelope": "the SUIT envelope breaks an encoding rule or holds an unknown member",
    "structure.manifest": "the signed manifest breaks an encoding rule or holds an unknown member",
    "structure.unsigned-member": "the envelope carries a member that nothing signed refers to",
    "structure.trust-set": "the trust anchor update breaks a rule of its format",
    "structure.payload-not-sealed": "a payload of the package is not a sealed image",
    "structure.patch": "a patch breaks a rule of its format, or does not end where it has to",
    "trust.no-signature": "there is no signature",
    "trust.algorithm-not-allowed": "no signature uses an algorithm that the product file allows",
    "trust.unknown-key": "no signature names a trusted key",
    "trust.key-not-for-this": "the key is trusted, but not for this component or class",
    "trust.example-key": "the private half of the key is public: printed in a standard or kept in keys-example",
    "trust.key-revoked": "the device has revoked the key",
    "trust.key-not-in-force": "the key is not in force on the day that is judged for",
    "trust.not-by-apex": "neither the apex trust anchor nor the contingency key has signed the trust anchors",
    "trust.idle-block": "an authentication block counts for nothing: nobody with a trusted key has made it",
    "trust.too-few-signatures": "fewer distinct trusted keys have signed than the product file needs",
    "signature.malformed": "a signature value could be none of any key: wrong length, or r or s outside 1..n-1",
    "signature.does-not-verify": "a signature does not hold for what it is said to cover",
    "signature.wrong-key": "no trusted key verifies the signature",
    "signature.manifest-digest": "the signed digest is not that of the manifest in the envelope",
    "signature.severed-member": "a severable member's bytes are not those the manifest names",
    "identity.wrong-vendor": "made for another vendor's devices",
    "identity.wrong-class": "made for another class of devices",
    "identity.wrong-hardware": "made for other hardware revisions",
    "identity.wrong-device": "made for another single device",
    "identity.unknown-component": "the product file has no such component",
    "identity.wrong-kind": "code where the component is data, or data where it is code",
    "identity.not-checked": "the manifest does not check vendor and class of every component",
    "identity.layers-disagree": "package and sealed image contradict each other",
    "rules.development-image": "a development image in a release judgement",
    "rules.development-mixed": "development and release signatures or images in one package",
    "rules.requirement-not-met": "another component's version is outside what this image needs",
    "rules.no-package": "a sealed image waits in a staging or keep slot without its package",
    "rules.external-code": "code would run from memory that is not trusted",
    "rules.authorisation-missing": "moving parts, but the install sequence asks for no authorisation",
    "rules.condition-misplaced": "battery and authorisation conditions belong into the install sequence only",
    "rules.validate-missing": "the manifest has no validate sequence for a component it installs",
    "rules.command-unsupported": "the manifest uses a command or parameter that is not supported",
    "rules.outside-profile": "the package asks for something that docs/format/package.md does not list",
    "rules.condition-failed": "a condition of the manifest does not hold on this device",
    "rules.directive-failed": "a directive of the manifest cannot be carried out",
    "rules.not-authorised": "the device has not authorised the update",
    "rules.battery-too-low": "the device's battery holds less than the update asks for",
    "rules.failed-before": "the device has tried this package, and it failed",
    "rules.trial-open": "the device is trying another release and takes none before that has settled or failed",
    "rules.apex-change": "the apex trust anchor or the contingency key changes in a way its signer may not ask for",
    "rules.revocation-undone": "a key that the device has revoked is no longer revoked",
    "rules.fixed-anchors": "the device has no room for another set of trust anchors, and takes none",
    "rules.trust-in-use": "an image that the device starts would no longer be trusted",
    "rules.limits": "the manifest asks for more work than the judge does",
    "rules.too-many-steps": "the delivery has more steps than devices of this product have room for",
    "rollback.counter-too-low": "the anti-rollback counter is below the device's",
    "rollback.counter-out-of-reach": "the anti-rollback counter is above what the device can or may rise to",
    "rollback.sequence-too-low": "the manifest sequence number is below the device's",
    "rollback.sequence-reused": "another manifest with the same sequence number is installed already",
    "rollback.withdrawn": "the release log says that this release is withdrawn",
    "rollback.trust-number": "the number of the trust anchor set is not one that may follow the device's",
    "placement.wrong-address": "the link address belongs to no run slot of the component",
    "placement.wrong-slot": "the image is linked for another slot than the one it lies in",
    "placement.no-slot": "no slot that the package serves is free on this device",
    "placement.one-build": "a component with two run slots, and a build for one of them alone",
    "placement.larger-than-slot": "the image does not fit its slot",
    "placement.header-block": "the header block is not of the size the product file states",
    "placement.dump-size": "the dump is not of the slot's size",
    "digest.payload": "the payload is not the one that was signed",
    "digest.image": "a component's content is not what the manifest names",
    "digest.base": "the device does not run the image that a patch is made from",
    "digest.patch": "a patch is not the one that was signed",
    "digest.result": "what a patch makes is not the image that was signed",
    "content.vector-table": "the vector table stands where the core cannot use it, or ends outside the payload",
    "content.stack-pointer": "the initial stack pointer is outside RAM or not aligned",
    "content.reset-vector": "the reset vector is outside the payload or not Thumb code",
    "content.rest-not-erased": "the slot's rest behind the payload is not erased",
}
"""Code -> one line of meaning."""

OF_THE_LOG = frozenset({"rollback.withdrawn", "placement.one-build", "rules.fixed-anchors"})
"""Codes that all devices, the release log or what a device lacks give cause for: no device has a number for them."""

OF_RELEASES = {
    "gate.withdrawn": "every release that it was in is withdrawn",
    "gate.not-logged": "the release log does not have it, though its signatures hold",
    "gate.no-sbom": "the product file demands a bill of materials, and the package names none",
}
"""Code -> one line of meaning, of what the maker asks of releases and no device does; docs/gate.md has the entries."""


class Finding(NamedTuple):
    """What a failed check says; without a subject: the check result has it."""

    code: str
    message: str
    place: Place = Place()
    expected: str | None = None
    found: str | None = None
    hint: str | None = None


def said_by(code: str, error: ImgsealError) -> Finding:
    """Return the finding for what a reader refused."""
    return Finding(code, error.message, error.place, error.expected, error.found, error.hint)


class CheckResult(NamedTuple):
    """One named step of the judge: its outcome, what it found, and why it did not run where it did not."""

    name: str
    group: str
    subject: str
    outcome: str
    findings: tuple[Finding, ...] = ()
    because: str | None = None
    mandatory: bool = True


class Bootloaders(NamedTuple):
    """Which bootloaders a requirement was judged against: the oldest and the newest, where it is known from, in words.

    `oldest` None: not known; `newest` None: `oldest` or newer.
    """

    oldest: str | None
    newest: str | None
    source: str
    words: str


class LaidOut(NamedTuple):
    """How the devices of a verdict are laid out: as `entry` of the release log has it, in words.

    `hardware` are the least and the highest hardware revision that its releases were for, where one says it.
    """

    entry: int
    words: str
    hardware: tuple[int, int] | None = None

    def left_out(self, least: int, most: int) -> tuple[str, ...]:
        """Say which devices in the field cannot take what is for these hardware revisions; nothing for none."""
        first, last = self.hardware or (least, most)
        ends = ((first, min(last, least - 1)), (max(first, most + 1), last))
        left = [str(a) if a == b else f"{a} to {b}" for a, b in ends if a <= b]
        return tuple(
            f"not for devices of hardware revision {each}, which are in the field ({self.words}): "
            "they stay with what they have"
            for each in left
        )


class Verdict(NamedTuple):
    """Accepted or refused, with every check listed; deliberately without a truth value.

    `kind` is what was judged, `device` the words that say for which device the verdict holds, `subjects` describe the
    images and packages looked at, `notes` are remarks that refuse nothing. Of a package, `signed` holds the identifiers
    of the keys whose signatures on a sealed image were verified, by its header block, and `installs` the slots that the
    device would install to; neither is part of the JSON form. `bootloader` is there where an image needs one; `layout`
    where the release log says how the devices are laid out, and not the product file.
    """

    name: str
    kind: str
    device: str
    checks: tuple[CheckResult, ...]
    details: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    signed: Mapping[bytes, tuple[bytes, ...]] = {}
    installs: tuple[str, ...] = ()
    bootloader: Bootloaders | None = None
    layout: LaidOut | None = None

    @property
    def accepted(self) -> bool:
        """True only when there are checks, and every mandatory one ran and passed, and no other one failed."""
        return bool(self.checks) and all(
            c.outcome == PASSED or (c.outcome == NOT_RUN and not c.mandatory) for c in self.checks
        )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings in the judge's order."""
        return tuple(f for c in self.checks for f in c.findings)

    def __bool__(self) -> NoReturn:
        raise TypeError("a verdict has no truth value: ask for .accepted")
