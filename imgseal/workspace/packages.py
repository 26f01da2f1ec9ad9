"""Reads update packages, and refuses those that the judge does not accept with the first finding."""

from imgseal.check.judge import judge_unrecognised, kind_of
from imgseal.errors import Place, UsageError
from imgseal.findings import Verdict
from imgseal.flow.contents import Contents, read_contents
from imgseal.flow.refusal import refuse_unless_accepted
from imgseal.product.model import Product
from imgseal.window import ByteView
from imgseal.workspace.files import load_artefact
from imgseal.workspace.project import Project

_OF_THE_LOG = frozenset({"rollback.withdrawn", "gate.withdrawn", "gate.not-logged"})
"""What the release log alone knows: devices are not told of it."""


def load_package(path: str) -> ByteView:
    """Read an update package; RefusedError for a file that is none at all."""
    data = load_artefact(path)
    if kind_of(data) is None:
        refuse_verdict(judge_unrecognised(data, path, "a device"), path)
    return data


def package_contents(path: str, product: Product) -> Contents:
    """Read what a package brings; nothing is verified."""
    data = load_artefact(path)
    return read_contents(data.read(0, data.size), path, product)


def refuse_verdict(verdict: Verdict, package: str) -> None:
    """RefusedError with the first finding, unless the package was accepted."""
    who = "the release log" if verdict.findings and verdict.findings[0].code in _OF_THE_LOG else "the device"
    refuse_unless_accepted(
        verdict,
        f"{who} refuses this {'file' if verdict.kind == 'unknown' else verdict.kind}",
        "the device cannot judge this",
        file=package,
        hint="imgseal check says more",
        undecided_hint="give a device state that says what its slots hold",
    )


def refuse_without_records(project: Project) -> None:
    """UsageError when the product file has no slot for install records, without which no device can be simulated."""
    if project.product.slot_holding("records") is None:
        raise UsageError(
            "the product file has no slot for install records",
            place=Place(file=project.path, key="slot"),
            expected='a slot in trusted flash with holds = "records"',
            hint="docs/format/install-record.md says what a device keeps there, and how large it has to be",
        )
