"""The gate, for a whole run: sources find their sealed images, exceptions what they excuse, and the rest is refused."""

from collections.abc import Iterable

from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.flow.gate import Load, Looked, finding
from imgseal.product.model import GateException
from imgseal.product.path_pattern import matches
from imgseal.records import NamedTuple
from imgseal.report.gate_result import EXCUSED, GOOD, REFUSED, SOURCE, Artefact, GateReport

__all__ = ["Found", "settle"]


class Found(NamedTuple):
    """An artefact and where it was found; see `Artefact`."""

    name: str
    file: str
    inside: str
    looked: Looked


def settle(
    found: Iterable[Found],
    *,
    device: str,
    product_file: str,
    exceptions: tuple[GateException, ...],
    day: str,
    notes: Iterable[str] = (),
    files: int = 0,
) -> GateReport:
    """Give every artefact its outcome. Exceptions count until the end of the `day` they name, YYYY-MM-DD in UTC."""
    everything = list(found)
    sealed = _by_load(everything)
    excuses: dict[int, int] = {}
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
                excuses[index] = excuses.get(index, 0) + 1
        artefacts.append(artefact)
    said = list(notes)
    problems = []
    for index, exception in enumerate(exceptions):
        if day > exception.until:
            problems.append(_expired(index, exception, product_file, day))
        elif index not in matched:
            said.append(f"gate.exception[{index + 1}] ({exception.path}) matches nothing: take it out")
        elif index not in excuses:
            said.append(f"gate.exception[{index + 1}] ({exception.path}) excuses nothing that it matches: take it out")
    if not artefacts:
        problems.append(
            finding("gate.nothing-found", found=f"{files} files", hint="give the folder that the build writes to")
        )
    return GateReport(device, product_file, tuple(artefacts), tuple(problems), tuple(said), files)


def _by_load(found: list[Found]) -> dict[Load, str]:
    """Return what good sealed images hold, and the name of the first one that does; also by digest alone."""
    sealed: dict[Load, str] = {}
    for each in found:
        for load in each.looked.sealed:
            sealed.setdefault(load, each.name)
            sealed.setdefault((None, None, load[2]), each.name)
    return sealed


def _outcome(found: Found, sealed: dict[Load, str]) -> Artefact:
    looked = found.looked
    artefact = Artefact(found.name, found.file, found.inside, looked.kind, GOOD, looked.findings, looked.details)
    if looked.unsealed:
        for loads in looked.loads:
            if loads and all(load in sealed for load in loads):
                names = dict.fromkeys(sealed[load] for load in loads)
                return artefact._replace(outcome=SOURCE, findings=(), because=", ".join(names))
        artefact = artefact._replace(findings=(_not_sealed(), *looked.findings))
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
