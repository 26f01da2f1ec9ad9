"""What a report has observed, each observation with its answer: the evidence table is made of these.

An observation is shown only where every check that it speaks of ran on this package and passed. What stands in the
product file, or holds for the tool whatever the package, is stated.
"""

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from imgseal.findings import CODES, NOT_RUN, PASSED
from imgseal.formats.suit.labels import MODEL_NAME
from imgseal.records import NamedTuple
from imgseal.rehearse.oracle import INVARIANTS
from imgseal.report import observations_of_keys
from imgseal.report.grounds import FAILED, IN_PART, NOT_SHOWN, SHOWN, STATED, Answer, NotShownError, count, only_if
from imgseal.report.inputs import Material

if TYPE_CHECKING:
    from imgseal.rehearse.play import Rehearsal


class Observation(NamedTuple):
    """One observation: what was looked at, the answer, why, and the part of the report that has it."""

    id: str
    title: str
    answer: str
    words: str
    where: str


_Look = Callable[[Material], Answer]


def _components(m: Material) -> Answer:
    contents = m.verified()
    there = dict.fromkeys(f"{i.component} {i.statement.version}" for i in contents.images.values())
    names = {i.component for i in contents.images.values()}
    rest = [name for name in m.product.components if name not in names]
    if rest:
        return IN_PART, f"{', '.join(there)}; not in this package: {', '.join(rest)}"
    return SHOWN, ", ".join(there)


def _accepted(m: Material) -> Answer:
    ran = sum(c.outcome == PASSED for c in m.verdict.checks)
    if m.verdict.accepted:
        return SHOWN, f"accepted, for {m.verdict.device}; {count(ran, 'check')} passed"
    first = m.verdict.findings[0].code if m.verdict.findings else "a check that did not run"
    return FAILED, f"refused, for {m.verdict.device}: {first}"


def _refused(m: Material) -> Answer:
    words = f"all of {len(m.changes)} changed packages and devices are refused, each for what is wrong with it"
    return m.tried(f"{words}; as it is, the package is accepted for {m.verdict.device}")


def _signatures(m: Material) -> Answer:
    signed = [c for c in m.verdict.checks if c.name == "signature"]
    good = sum(c.outcome == PASSED for c in signed)
    if not signed or good < len(signed):
        return FAILED, f"{good} of {count(len(signed), 'signature check')} passed"
    contents = m.verified()
    what = f"the package and {count(len(contents.images), 'sealed image')} are signed"
    only_if(not m.by_development(), f"{what} by development keys")
    return SHOWN, f"{what} by trusted keys"


def _dates(m: Material) -> Answer:
    contents = m.verified()
    bare = dict.fromkeys(i.component for i in contents.images.values() if not i.statement.source_revision)
    words = f"sequence {contents.sequence}; every image says when it was built"
    if bare:
        return SHOWN, f"{words}; no source revision for {', '.join(bare)} (build --revision)"
    return SHOWN, f"{words}, and from which source revision"


def _text(m: Material) -> Answer:
    text = m.signed_text()
    if text is None:
        return NOT_SHOWN, "no text that is signed"
    lines = sum(len(words.splitlines()) for part in text.values() for words in part.manifest.values())
    parts = len({part for language in text.values() for part in language.components})
    words = f"{count(lines, 'line')} in {', '.join(text)}, and words for {count(parts, 'component')} of the manifest"
    return SHOWN, f"{words}, signed with the package"


def _played(m: Material) -> "Rehearsal":
    """Return the rehearsal; NotShownError where nobody asked for one, or the one asked for could not be played."""
    only_if(m.not_rehearsed is None, f"a rehearsal was asked for and could not be played: {m.not_rehearsed}")
    if m.rehearsal is None:
        raise NotShownError("not rehearsed: report --rehearse")
    return m.rehearsal


def _model(m: Material) -> Answer:
    text = m.signed_text()
    parts = [words for language in (text or {}).values() for words in language.components.values()]
    names = dict.fromkeys(words[MODEL_NAME] for words in parts if MODEL_NAME in words)
    only_if(names, "no model designation in text that is signed (text.model in the product file)")
    return SHOWN, f"in words, signed with the package: {', '.join(names)}"


def _down(m: Material) -> Answer:
    took = _played(m).estimate
    if took is None or took.down_seconds is None:
        return NOT_SHOWN, "no times: erase_ms and program_us in the product file"
    only_if(took.operations, f"nothing is written on {m.rehearsed_on}")
    least, most = took.down_seconds
    estimate = "an estimate from the times in the product file, measured on no device"
    return STATED, f"{least:.1f} to {most:.1f} s without a running product: {estimate}"


def _identity(m: Material) -> Answer:
    contents = m.verified()
    asked = ("vendor", "class", "hardware")
    checked = m.passed("shared") and all(m.passed(n, s) for n in asked for s in contents.images)
    only_if(checked, "vendor, class and hardware are not verified for the package and each of its images")
    ranges: dict[tuple[int, int], list[str]] = {}
    for slot, image in contents.images.items():
        ranges.setdefault(image.statement.hardware, []).append(slot)
    hardware = "; ".join(
        f"hardware {low} to {high}" + (f" ({', '.join(slots)})" if len(ranges) > 1 else "")
        for (low, high), slots in ranges.items()
    )
    images = count(len(contents.images), "image")
    return SHOWN, f"{m.product.vendor}, {m.product.class_name}, {hardware}: checked for the package and {images}"


def _leaks(m: Material) -> Answer:
    only_if(m.contents is not None, "the package could not be read")
    bad = [leak for leak in m.leaks if not leak.allowed]
    if bad:
        return FAILED, "; ".join(f"{leak.what} in {leak.slot}" for leak in bad)
    contents = m.verified()
    allowed = f"; {len(m.leaks)} that the product file allows" if m.leaks else ""
    payloads = count(len(contents.images), "payload")
    return SHOWN, f"no key file and no published key in {payloads} and the texts{allowed}"


_OF_ITS_OWN = "each image carries header, digest and signature of its own"


def _judged_later(kind: str, what: str, m: Material) -> Answer:
    """Say when the product file has components of one kind judged: nothing here has seen a device do it."""
    contents = m.verified()
    names = dict.fromkeys(i.component for i in contents.images.values())
    mine = [m.product.components[name] for name in names if m.product.components[name].kind == kind]
    only_if(mine, f"the package has no component that holds {kind}")
    late = [c.name for c in mine if c.judged == "install"]
    if m.product.rules.at_boot == "digest":
        what += "; the signature once for each set, which a mark stands for that the bootloader alone can write"
    words = f"{what}; by the product file judged: {', '.join(f'{c.name} at {c.judged}' for c in mine)}"
    if late:
        words += f"; not again after it: {', '.join(late)}"
    return (NOT_SHOWN if len(late) == len(mine) else STATED), words


def _codes(_m: Material) -> Answer:
    return STATED, f"{len(CODES)} stable codes, each explained below; the device's sources use the same"


def _rehearsal(m: Material) -> Answer:
    played = _played(m)
    if played.violation is not None:
        return FAILED, f"{played.violation.invariant}: {played.violation.message}"
    tally = played.tally
    only_if(tally.singles, f"nothing is written on {m.rehearsed_on}, so there was nothing to cut")
    lives = f"in {tally.singles} lives after one power cut and {tally.pairs} after two, on {m.rehearsed_on}"
    return SHOWN, f"{len(INVARIANTS)} invariants hold in a simulation: {lives}"


def _rollback(m: Material) -> Answer:
    wanted = ("rollback.sequence-too-low", "rollback.counter-too-low")
    words = "refused by a device with a later sequence number, and by one with a higher counter for each component"
    both = set(wanted) <= {code for change in m.changes for code in change.codes}
    only_if(both or not m.changes, "a higher counter, or a later sequence number, could not be tried")
    return m.tried(words, *wanted)


def _sizes(m: Material) -> Answer:
    bad = [finding.code for finding in m.verdict.findings if finding.code.startswith("placement.")]
    if bad:
        return FAILED, ", ".join(dict.fromkeys(bad))
    contents = m.verified()
    asked = ("header-block", "address", "size")
    checked = all(m.passed(name, slot) for name in asked for slot in contents.images)
    only_if(checked, "header block, address and size are not verified for every image")
    only_if(m.passed("installation"), "the installation was not carried out to its end")
    images = count(len(contents.images), "image")
    return SHOWN, f"header block, address and size of {images} fit; the installation was carried out in a model"


def _recovery(m: Material) -> Answer:
    names = [c.name for c in m.product.components.values() if c.recovery]
    back = [c.name for c in m.product.components.values() if c.returns]
    only_if(names or back, "the product file has neither a recovery image nor a way back")
    parts = [f"recovery image: {', '.join(names)}"] if names else []
    parts += [f"the image before can start again: {', '.join(back)}"] if back else []
    return STATED, f"in the product file: {'; '.join(parts)}"


def _power(m: Material) -> Answer:
    least = m.product.rules.minimum_battery
    if least is None:
        return NOT_SHOWN, "no rules.minimum_battery in the product file: the package asks for none"
    words = f"a device with less than {least} mWh refuses it; the number is the product file's"
    return m.tried(words, "rules.battery-too-low")


def _authorisation(m: Material) -> Answer:
    there = {image.component for image in m.contents.images.values()} if m.contents is not None else set()
    hazards = [f"{c.name} ({c.hazard})" for c in m.product.components.values() if c.hazard and c.name in there]
    only_if(hazards or not there, "no component of the package has a hazard in the product file: nothing is asked")
    return m.tried(f"a device that is not authorised refuses it: {', '.join(hazards)}", "rules.not-authorised")


def _needs(m: Material) -> Answer:
    contents = m.verified()
    names = {0: "bootloader", **{c.number: c.name for c in m.product.components.values()}}
    found = dict.fromkeys(
        f"{image.component} needs {names.get(need.component, need.component)} {need}"
        for image in contents.images.values()
        for need in image.statement.needs
    )
    only_if(found, "no image states a requirement")
    checks = [c for c in m.verdict.checks if c.name == "requirements"]
    if any(finding.code == "rules.requirement-not-met" for c in checks for finding in c.findings):
        return FAILED, f"{'; '.join(found)}: not all met"
    if not checks or any(c.outcome == NOT_RUN for c in checks):
        return IN_PART, f"{'; '.join(found)}: stated, and not all decided here"
    return SHOWN, f"{'; '.join(found)}: met on {m.verdict.device}"


def _sbom(m: Material) -> Answer:
    if m.bill is None:
        return NOT_SHOWN, "the package names no bill of materials: build --sbom"
    only_if(m.signed_text() is not None, "what the package names is not verified")
    return SHOWN, f"{m.bill.kind} {m.bill.version}, {count(m.bill.size, 'byte')}, sha-256 {m.bill.digest.hex()}"


def _release(m: Material) -> Answer:
    images = m.contents.images.values() if m.contents else ()
    if any(i.statement.development for i in images) or m.by_development():
        return FAILED, "made for development"
    only_if(m.signers, "no signature that holds")
    m.verified()
    only_if(m.passed("one-kind"), "that package and images are of one kind is not verified")
    return SHOWN, "no development image, no development key, no key that everyone has"


def _changes(m: Material) -> Answer:
    if m.comparison is None:
        return NOT_SHOWN, "no release to compare with: report --previous"
    m.verified()
    changed = sum(not slot.unchanged for slot in m.comparison.slots)
    slots = count(len(m.comparison.slots), "slot")
    alone = [slot.slot for slot in m.comparison.slots if slot.left_alone]
    rest = f"; not in this package, and left alone: {', '.join(alone)}" if alone else ""
    return SHOWN, f"other content in {changed} of {slots} than in {m.comparison.old}, which is not judged here{rest}"


def _log(m: Material) -> Answer:
    if m.logged is None:
        return NOT_SHOWN, "no release log in the product file"
    if not m.logged:
        return NOT_SHOWN, "the package is not in the release log"
    if not m.passed("digest") or not m.passed("signature"):
        return NOT_SHOWN, f"{m.logged} has this digest; that the manifest is the one is not verified"
    return SHOWN, m.logged


_TABLE: tuple[tuple[str, str, str, _Look], ...] = (
    ("accepted", "verdict of the judge", "verdict", _accepted),
    ("refused", "the package with one thing wrong, and other devices", "refusals", _refused),
    ("signatures", "signatures against trust anchors", "signers", _signatures),
    ("anchors", "trust anchors", "signers", observations_of_keys.anchors),
    ("algorithms", "algorithms", "signers", observations_of_keys.algorithms),
    ("agility", "room for other algorithms", "signers", observations_of_keys.agility),
    ("several", "more than one key of one algorithm", "signers", observations_of_keys.several),
    ("exchange", "exchange of trust anchors", "signers", observations_of_keys.exchange),
    ("release", "made for release", "verdict", _release),
    ("identity", "vendor, class and hardware", "package", _identity),
    ("components", "components and versions", "components", _components),
    ("needs", "requirements between components", "components", _needs),
    ("boot", "what is to be judged at each boot", "components", partial(_judged_later, "code", _OF_ITS_OWN)),
    ("recovery", "recovery, and ways back", "components", _recovery),
    ("data", "data components", "components", partial(_judged_later, "data", "signed as code is")),
    ("rollback", "older releases", "refusals", _rollback),
    ("sizes", "sizes and addresses", "memory", _sizes),
    ("leaks", "private keys in payloads", "package", _leaks),
    ("sbom", "bill of materials", "package", _sbom),
    ("text", "words for people", "manifest", _text),
    ("model", "model designation", "manifest", _model),
    ("power", "battery", "manifest", _power),
    ("authorisation", "authorisation before moving parts", "manifest", _authorisation),
    ("rehearsal", "installation with power cuts", "rehearsal", _rehearsal),
    ("down", "time without the product", "rehearsal", _down),
    ("changes", "changes since the release before", "changes", _changes),
    ("dates", "sequence, time and source", "components", _dates),
    ("log", "release log", "package", _log),
    ("codes", "reasons of refusal", "codes", _codes),
)


def observe(material: Material) -> dict[str, Observation]:
    """Make every observation, in the order of the report."""
    return {name: Observation(name, title, *_answer(look, material), where) for name, title, where, look in _TABLE}


def _answer(look: _Look, material: Material) -> Answer:
    try:
        return look(material)
    except NotShownError as why:
        return NOT_SHOWN, str(why)
