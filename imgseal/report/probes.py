"""What a report has observed, each observation with its answer: the evidence table is made of these."""

from collections.abc import Callable

from imgseal.cose.labels import ALGORITHMS
from imgseal.findings import CODES, NOT_RUN, PASSED
from imgseal.records import NamedTuple
from imgseal.rehearse.oracle import INVARIANTS
from imgseal.report.material import Material
from imgseal.suit.labels import TEXT
from imgseal.suit.text import decode_text

__all__ = ["FAILED", "NOT_SHOWN", "SHOWN", "TITLES", "Probe", "probes"]

SHOWN, NOT_SHOWN, FAILED = "shown", "not shown", "failed"


class Probe(NamedTuple):
    """One observation: what was looked at, the answer, why, and the part of the report that has it."""

    id: str
    title: str
    answer: str
    words: str
    where: str


_Answer = tuple[str, str]
_Look = Callable[[Material], _Answer]


def _components(m: Material) -> _Answer:
    if m.contents is None:
        return NOT_SHOWN, "the package could not be read"
    there = dict.fromkeys(f"{i.component} {i.statement.version}" for i in m.contents.images.values())
    names = {i.component for i in m.contents.images.values()}
    rest = [name for name in m.product.components if name not in names]
    return SHOWN, ", ".join(there) + (f"; not in this package: {', '.join(rest)}" if rest else "")


def _accepted(m: Material) -> _Answer:
    ran = sum(c.outcome == PASSED for c in m.verdict.checks)
    if m.verdict.accepted:
        return SHOWN, f"accepted, for {m.verdict.device}; {ran} checks passed"
    first = m.verdict.findings[0].code if m.verdict.findings else "a check that did not run"
    return FAILED, f"refused, for {m.verdict.device}: {first}"


def _refused(m: Material) -> _Answer:
    if not m.changes:
        return NOT_SHOWN, "not tried: the package is refused as it is"
    taken = [change.what for change in m.changes if change.first is None]
    if taken:
        return FAILED, f"accepted all the same: {'; '.join(taken)}"
    return SHOWN, f"all of {len(m.changes)} changed packages and devices are refused"


def _algorithms(m: Material) -> _Answer:
    rules = m.product.rules
    kinds = ", ".join(dict.fromkeys(key.public.words for key in m.trust.keys if not key.development))
    words = f"{' and '.join(rules.must_verify)} must verify, with SHA-256; trusted keys are for {kinds or 'nothing'}"
    return (SHOWN if _passed(m, "signature") else NOT_SHOWN), words


def _anchors(m: Material) -> _Answer:
    keys = [key for key in m.trust.keys if not key.development]
    if not keys:
        return NOT_SHOWN, "no released key could be read"
    weak = [key.source for key in keys if key.published is not None]
    if weak:
        return FAILED, f"the private half of {', '.join(weak)} is public"
    return SHOWN, (
        f"{len(keys)} keys; {m.trust.need_images} must sign an image and {m.trust.need_packages} a package, "
        "for each algorithm that must verify"
    )


def _signatures(m: Material) -> _Answer:
    signed = [c for c in m.verdict.checks if c.name == "signature"]
    good = sum(c.outcome == PASSED for c in signed)
    if signed and good == len(signed):
        return SHOWN, f"the package and {good - 1} sealed images are signed by trusted keys"
    return FAILED, f"{good} of {len(signed)} signatures hold"


def _dates(m: Material) -> _Answer:
    if m.contents is None:
        return NOT_SHOWN, "the package could not be read"
    bare = dict.fromkeys(i.component for i in m.contents.images.values() if not i.statement.source_revision)
    words = f"sequence {m.contents.sequence}; every image says when it was built"
    if bare:
        return SHOWN, f"{words}; no source revision for {', '.join(bare)} (build --revision)"
    return SHOWN, f"{words}, and from which source revision"


def _text(m: Material) -> _Answer:
    content = m.envelope.severed.get(TEXT) if m.envelope is not None else None
    if content is None or not _passed(m, "severed"):
        return NOT_SHOWN, "no text that is signed"
    text = decode_text(content, "text")
    lines = sum(len(words.splitlines()) for part in text.values() for words in part.manifest.values())
    return SHOWN, f"{lines} lines in {', '.join(text)}, and words for each component, signed with the package"


def _down(m: Material) -> _Answer:
    took = m.rehearsal.estimate if m.rehearsal is not None else None
    if took is None or took.down_seconds is None or not took.operations:
        return NOT_SHOWN, "no rehearsal with times (report --rehearse; erase_ms and program_us in the product file)"
    return SHOWN, f"{took.down_seconds[0]:.1f} to {took.down_seconds[1]:.1f} s without a running product"


def _identity(m: Material) -> _Answer:
    if not _passed(m, "shared"):
        return NOT_SHOWN, "vendor and class of the package are not verified"
    low, high = m.product.hardware
    return SHOWN, f"{m.product.vendor}, {m.product.class_name}, hardware {low} to {high}: checked for every component"


def _leaks(m: Material) -> _Answer:
    if m.contents is None:
        return NOT_SHOWN, "the package could not be read"
    bad = [leak for leak in m.leaks if not leak.allowed]
    if bad:
        return FAILED, "; ".join(f"{leak.what} in {leak.slot}" for leak in bad)
    allowed = f"; {len(m.leaks)} that the product file allows" if m.leaks else ""
    return SHOWN, f"no key file and no published key in {len(m.contents.images)} payloads{allowed}"


def _agility(m: Material) -> _Answer:
    names = dict.fromkeys(
        ALGORITHMS.get(slot.algorithm, str(slot.algorithm))
        for image in (m.contents.images.values() if m.contents else ())
        for slot in image.statement.signatures
    )
    return SHOWN, (
        f"signatures name their algorithm by number ({', '.join(names) or 'none read'}); images have room for three "
        "signatures, and the product file says which count"
    )


def _boot(m: Material) -> _Answer:
    if m.contents is None or not _passed(m, "signature"):
        return NOT_SHOWN, "no sealed image that is verified"
    names = dict.fromkeys(i.component for i in m.contents.images.values())
    words = ", ".join(f"{name} at {m.product.components[name].judged}" for name in names)
    return SHOWN, f"each image carries header, digest and signature of its own; payloads are hashed: {words}"


def _codes(_m: Material) -> _Answer:
    return SHOWN, f"{len(CODES)} stable codes, each explained below; the device's sources use the same"


def _rehearsal(m: Material) -> _Answer:
    if m.rehearsal is None:
        return NOT_SHOWN, "not rehearsed: report --rehearse"
    if m.rehearsal.violation is not None:
        return FAILED, f"{m.rehearsal.violation.invariant}: {m.rehearsal.violation.message}"
    tally = m.rehearsal.tally
    if not tally.singles:
        return NOT_SHOWN, f"nothing is written on {m.rehearsed_on}, so there was nothing to cut"
    return (
        SHOWN,
        f"{len(INVARIANTS)} invariants hold in {tally.singles} lives after one power cut and {tally.pairs} after two",
    )


def _rollback(m: Material) -> _Answer:
    firsts = {change.first for change in m.changes}
    wanted = ("rollback.sequence-too-low", "rollback.counter-too-low")
    if not m.changes:
        return NOT_SHOWN, "not tried: the package is refused as it is"
    missing = [code for code in wanted if code not in firsts]
    if missing:
        return FAILED, f"no refusal with {', '.join(missing)}"
    return SHOWN, "refused by a device with a later sequence number, and by one with a higher counter"


def _sizes(m: Material) -> _Answer:
    checks = [c for c in m.verdict.checks if c.group == "placement" and c.outcome != NOT_RUN]
    if checks and all(c.outcome == PASSED for c in checks):
        return SHOWN, f"{len(checks)} checks of address, size and header block passed before a payload byte is read"
    return FAILED if checks else NOT_SHOWN, "placement is not verified"


def _recovery(m: Material) -> _Answer:
    names = [c.name for c in m.product.components.values() if c.recovery]
    back = [c.name for c in m.product.components.values() if c.returns]
    if names or back:
        parts = [f"recovery image: {', '.join(names)}"] if names else []
        parts += [f"the image before can start again: {', '.join(back)}"] if back else []
        return SHOWN, "; ".join(parts)
    return NOT_SHOWN, "the product file has neither a recovery image nor a way back"


def _power(m: Material) -> _Answer:
    if "rules.battery-too-low" in {change.first for change in m.changes}:
        return SHOWN, f"a device with less than {m.product.rules.minimum_battery} mWh refuses it"
    if m.product.rules.minimum_battery is None:
        return NOT_SHOWN, "no rules.minimum_battery in the product file: the package asks for none"
    return NOT_SHOWN, "no refusal for an empty battery was seen"


def _authorisation(m: Material) -> _Answer:
    hazards = [f"{c.name} ({c.hazard})" for c in m.product.components.values() if c.hazard]
    if not hazards:
        return NOT_SHOWN, "no component of the product file has a hazard: nothing is asked"
    if "rules.not-authorised" in {change.first for change in m.changes}:
        return SHOWN, f"a device that is not authorised refuses it: {', '.join(hazards)}"
    return NOT_SHOWN, "no refusal without authorisation was seen"


def _needs(m: Material) -> _Answer:
    names = {0: "bootloader", **{c.number: c.name for c in m.product.components.values()}}
    found = dict.fromkeys(
        f"{image.component} needs {names.get(need.component, need.component)} {need}"
        for image in (m.contents.images.values() if m.contents else ())
        for need in image.statement.needs
    )
    if not found:
        return NOT_SHOWN, "no image states a requirement"
    return SHOWN, "; ".join(found)


def _sbom(m: Material) -> _Answer:
    if m.bill is None:
        return NOT_SHOWN, "the package names no bill of materials: build --sbom"
    if not _passed(m, "severed"):
        return NOT_SHOWN, "what the package names is not verified"
    return SHOWN, f"{m.bill.kind} {m.bill.version}, {m.bill.size} bytes, sha-256 {m.bill.digest.hex()}"


def _release(m: Material) -> _Answer:
    images = m.contents.images.values() if m.contents else ()
    if any(i.statement.development for i in images) or any(key.development for key in m.signers):
        return FAILED, "made for development"
    if not m.signers:
        return NOT_SHOWN, "no signature that holds"
    return SHOWN, "no development image, no development key, no key that everyone has"


def _changes(m: Material) -> _Answer:
    if m.comparison is None:
        return NOT_SHOWN, "no release to compare with: report --previous"
    count = sum(not slot.unchanged for slot in m.comparison.slots)
    return SHOWN, f"{count} of {len(m.comparison.slots)} slots change against {m.comparison.old}"


def _ledger(m: Material) -> _Answer:
    if m.logged is None:
        return NOT_SHOWN, "no release log in the product file"
    return (SHOWN, m.logged) if m.logged else (NOT_SHOWN, "the package is not in the release log")


def _exchange(m: Material) -> _Answer:
    if m.trust.apex is None:
        return NOT_SHOWN, "no apex trust anchor in the product file: devices keep the keys they leave the factory with"
    spare = " and a contingency key" if m.trust.contingency is not None else ""
    return SHOWN, f"an apex trust anchor{spare} can replace and revoke keys, by signed sets that only rise"


def _several(m: Material) -> _Answer:
    keys = [key for key in m.trust.keys if key.role == "packages" and not key.development]
    if len(keys) < 2:
        return NOT_SHOWN, "one key signs packages"
    return SHOWN, f"{m.trust.need_packages} of {len(keys)} keys must sign a package, for each algorithm"


def _data(m: Material) -> _Answer:
    names = [c.name for c in m.product.components.values() if c.kind == "data"]
    if not names:
        return NOT_SHOWN, "no component of the product file holds data"
    return SHOWN, f"signed and judged as code is: {', '.join(names)}"


def _passed(m: Material, name: str) -> bool:
    checks = [c for c in m.verdict.checks if c.name == name]
    return bool(checks) and all(c.outcome == PASSED for c in checks)


_PROBES: tuple[tuple[str, str, str, _Look], ...] = (
    ("accepted", "verdict of the judge", "verdict", _accepted),
    ("refused", "the package with one thing wrong, and other devices", "refusals", _refused),
    ("signatures", "signatures against trust anchors", "signers", _signatures),
    ("anchors", "trust anchors", "signers", _anchors),
    ("algorithms", "algorithms", "signers", _algorithms),
    ("agility", "room for other algorithms", "signers", _agility),
    ("several", "more than one signer", "signers", _several),
    ("exchange", "exchange of trust anchors", "signers", _exchange),
    ("release", "made for release", "verdict", _release),
    ("identity", "vendor, class and hardware", "package", _identity),
    ("components", "components and versions", "components", _components),
    ("needs", "requirements between components", "components", _needs),
    ("boot", "what is judged at each boot", "components", _boot),
    ("recovery", "recovery, and ways back", "components", _recovery),
    ("data", "data components", "components", _data),
    ("rollback", "older releases", "refusals", _rollback),
    ("sizes", "sizes and addresses", "memory", _sizes),
    ("leaks", "private keys in payloads", "package", _leaks),
    ("sbom", "bill of materials", "package", _sbom),
    ("text", "words for people", "manifest", _text),
    ("power", "battery", "manifest", _power),
    ("authorisation", "authorisation before moving parts", "manifest", _authorisation),
    ("rehearsal", "installation with power cuts", "rehearsal", _rehearsal),
    ("down", "time without the product", "rehearsal", _down),
    ("changes", "changes since the release before", "changes", _changes),
    ("dates", "sequence, time and source", "components", _dates),
    ("ledger", "release log", "package", _ledger),
    ("codes", "reasons of refusal", "codes", _codes),
)

TITLES = {name: title for name, title, _, _ in _PROBES}
"""Observation -> what it looks at."""


def probes(material: Material) -> dict[str, Probe]:
    """Make every observation, in the order of the report."""
    return {name: Probe(name, title, *look(material), where) for name, title, where, look in _PROBES}
