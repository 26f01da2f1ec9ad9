"""Concludes a run of the gate: which files are sources of sealed images, what exceptions excuse, what is refused."""

from collections.abc import Iterable

from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.gate.artefact import Found, Identity, Load, finding
from imgseal.gate.result import EXCUSED, GOOD, REFUSED, SOURCE, Artefact, GateReport
from imgseal.product.model import GateException
from imgseal.product.path_pattern import matches


def conclude(
    found: Iterable[Found],
    *,
    device: str,
    product_file: str,
    exceptions: tuple[GateException, ...],
    logged: frozenset[Identity] | None,
    day: str,
    files: int = 0,
) -> GateReport:
    """Give every artefact its outcome; `logged` is None where no log is kept.

    Exceptions count until the end of the day that they name; `day` is YYYY-MM-DD in UTC.
    """
    everything = [_held_to_log(each, logged) for each in found]
    sealed = _by_load(everything)
    excusing: set[int] = set()
    matched: set[int] = set()
    artefacts = []
    for each in everything:
        artefact = _outcome(each, sealed)
        for index, exception in enumerate(exceptions):
            if not matches(exception.path, each.inside):
                continue
            matched.add(index)
            if artefact.outcome == REFUSED and day <= exception.until:
                artefact = artefact._replace(outcome=EXCUSED, because=f"{exception.reason} (until {exception.until})")
                excusing.add(index)
        artefacts.append(artefact)
    notes = []
    problems = []
    for index, exception in enumerate(exceptions):
        if day > exception.until:
            problems.append(_expired(index, exception, product_file, day))
        elif index not in matched:
            notes.append(f"gate.exception[{index + 1}] ({exception.path}) matches nothing: take it out")
        elif index not in excusing:
            notes.append(f"gate.exception[{index + 1}] ({exception.path}) excuses nothing that it matches: take it out")
    if not artefacts:
        problems.append(
            finding("gate.nothing-found", found=f"{files} files", hint="give the folder that the build writes to")
        )
    return GateReport(device, product_file, tuple(artefacts), tuple(problems), tuple(notes), files)


def _held_to_log(found: Found, logged: frozenset[Identity] | None) -> Found:
    """Ask the release log for what the judge has accepted; what it does not have makes no source good either."""
    scanned = found.scanned
    problem = _not_logged(scanned.identity, logged)
    if problem is not None:
        scanned = scanned._replace(findings=(*scanned.findings, problem), sealed=())
    return found._replace(scanned=scanned)


def _not_logged(identity: Identity | None, logged: frozenset[Identity] | None) -> Finding | None:
    if identity is None or logged is None or identity in logged:
        return None
    what, digest = identity
    return finding(
        "gate.not-logged",
        expected="a release that imgseal build --release has logged",
        found=f"{what} {digest.hex()}",
        hint="find out who made it: imgseal log show lists what was released; build it again with --release",
    )


def _by_load(found: list[Found]) -> dict[Load, str]:
    """Return what good sealed images hold, and the name of the first one that does; also by digest alone."""
    sealed: dict[Load, str] = {}
    for each in found:
        for load in each.scanned.sealed:
            sealed.setdefault(load, each.name)
            sealed.setdefault((None, None, load[2]), each.name)
    return sealed


def _outcome(found: Found, sealed: dict[Load, str]) -> Artefact:
    scanned = found.scanned
    artefact = Artefact(found.name, found.file, found.inside, scanned.kind, GOOD, scanned.findings, scanned.details)
    if scanned.unsealed or scanned.findings:
        origins = [each for each in scanned.origins if each.loads and all(load in sealed for load in each.loads)]
        if origins:
            best = min(origins, key=lambda each: len(each.findings))
            if best.findings:  # a private key in bytes that the sealed images do not hold
                return artefact._replace(outcome=REFUSED, findings=best.findings)
            names = dict.fromkeys(sealed[load] for load in best.loads)
            return artefact._replace(outcome=SOURCE, findings=(), because=", ".join(names))
        if scanned.unsealed:
            artefact = artefact._replace(findings=(_not_sealed(), *scanned.findings))
    return artefact._replace(outcome=REFUSED) if artefact.findings else artefact


def _not_sealed() -> Finding:
    return finding(
        "gate.not-sealed",
        hint="seal it: imgseal build --release; what is no firmware of this product is excused by a "
        "[[gate.exception]] of the product file",
    )


def _expired(index: int, exception: GateException, product_file: str, day: str) -> Finding:
    return finding(
        "gate.exception-expired",
        place=Place(file=product_file, key=f"gate.exception[{index + 1}].until"),
        expected=f"{day} or later",
        found=f"{exception.until}, for {exception.path}: {exception.reason}",
        hint="seal or remove what it excuses and take the exception out, or decide again and write a later day",
    )
