"""Concludes a run of the gate: which files are sources of sealed images, what exceptions excuse, what is refused."""

from collections.abc import Iterable, Mapping
from datetime import date

from imgseal.errors import Place, visible
from imgseal.findings import Finding
from imgseal.flow.as_released import Released, refused_by_log
from imgseal.gate.artefact import Found, Load, finding, not_sealed
from imgseal.gate.result import EXCUSED, GOOD, REFUSED, SOURCE, Artefact, GateReport, PassedFile
from imgseal.product.model import GateException
from imgseal.product.path_pattern import matches
from imgseal.records import NamedTuple

_WARNED = 30
"""Days before its end from which on an exception is spoken of: a release or two, and the time to seal something."""


class Excuse(NamedTuple):
    """An exception, the file that states it, and its number there, from 1."""

    exception: GateException
    file: str
    number: int

    @property
    def key(self) -> str:
        """Where it stands in the file."""
        return f"gate.exception[{self.number}]"


def conclude(
    found: Iterable[Found],
    *,
    device: str,
    product_file: str,
    excuses: tuple[Excuse, ...],
    logged: Mapping[str, Released | None],
    day: str,
    files: int = 0,
) -> GateReport:
    """Give every artefact its outcome; `logged` is what the log of each product file has, None where none is kept.

    Exceptions count until the end of the day that they name; `day` is YYYY-MM-DD in UTC.
    """
    everything = []
    passed = []
    for each in found:
        if each.scanned.passed is None:
            everything.append(_held_to_log(each, logged))
        else:
            passed.append(PassedFile(each.name, each.file, each.inside, each.scanned.passed))
    sealed = _by_load(everything)
    excusing: set[int] = set()
    matched: set[int] = set()
    artefacts = []
    for each in everything:
        artefact = _outcome(each, sealed)
        for index, (exception, _, _) in enumerate(excuses):
            if not matches(exception.path, each.inside):
                continue
            matched.add(index)
            if artefact.outcome == REFUSED and day <= exception.until:
                artefact = artefact._replace(outcome=EXCUSED, because=f"{exception.reason} (until {exception.until})")
                excusing.add(index)
        artefacts.append(artefact)
    notes = []
    problems = []
    for index, excuse in enumerate(excuses):
        where = excuse.key if excuse.file == product_file else f"{excuse.file}: {excuse.key}"
        if day > excuse.exception.until:
            problems.append(_expired(excuse, day))
        elif index not in matched:
            notes.append(f"{where} ({excuse.exception.path}) matches nothing: take it out")
        elif index not in excusing:
            notes.append(f"{where} ({excuse.exception.path}) excuses nothing that it matches: take it out")
        elif (left := _days(day, excuse.exception.until)) < _WARNED:
            ends = "today" if left == 0 else f"in {left} days" if left > 1 else "tomorrow"
            notes.append(
                f"{where} ({excuse.exception.path}) ends {ends}, with {excuse.exception.until}: seal what it "
                "excuses, or decide again and write a later day"
            )
    if not artefacts:
        problems.append(
            finding("gate.nothing-found", found=f"{files} files", hint="give the folder that the build writes to")
        )
    return GateReport(device, product_file, tuple(artefacts), tuple(problems), tuple(notes), files, tuple(passed))


def _days(first: str, last: str) -> int:
    """Return the days from one day to another, both YYYY-MM-DD."""
    return (date.fromisoformat(last) - date.fromisoformat(first)).days


def _held_to_log(found: Found, logged: Mapping[str, Released | None]) -> Found:
    """Ask the release log for what the judge has accepted; what it does not have makes no source good either."""
    scanned = found.scanned
    problem = refused_by_log(scanned.identity, logged.get(scanned.product_file))
    if problem is not None:
        scanned = scanned._replace(findings=(*scanned.findings, problem), sealed=())
    return found._replace(scanned=scanned)


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
            artefact = artefact._replace(findings=(not_sealed(scanned.table), *scanned.findings))
    return artefact._replace(outcome=REFUSED) if artefact.findings else artefact


def _expired(excuse: Excuse, day: str) -> Finding:
    exception = excuse.exception
    return finding(
        "gate.exception-expired",
        place=Place(file=visible(excuse.file), key=f"{excuse.key}.until"),
        expected=f"{day} or later",
        found=f"{exception.until}, for {exception.path}: {exception.reason}",
        hint="seal or remove what it excuses and take the exception out, or decide again and write a later day",
    )
