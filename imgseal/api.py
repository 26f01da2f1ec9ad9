"""For build scripts in Python: `imgseal build` and `imgseal check` as two functions.

Both raise the errors of imgseal.errors and print nothing. Pass phrases and PINs come from where the commands take them:
the environment, a token, a prompt; never from an argument.
"""

import os
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

from imgseal.errors import UsageError
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.findings import Verdict
    from imgseal.memory.view import ByteView
    from imgseal.product.model import Product

    Path = str | os.PathLike[str]

__all__ = ["Release", "judge", "release"]


class Release(NamedTuple):
    """What was made: the package's path, every path that was written, remarks, and the verdict that let it pass."""

    package: str
    paths: tuple[str, ...]
    notes: tuple[str, ...]
    verdict: "Verdict"


def release(
    firmware: "Mapping[str, Path | Sequence[Path]]",
    *,
    out: "Path" = "out",
    product: "Path | None" = None,
    development: bool = False,
    settings: Mapping[str, object] | None = None,
    variant: str | None = None,
    previous: "Path | None" = None,
    revision: str | None = None,
    unfinished: bool = False,
    sbom: "Path | None" = None,
) -> Release:
    """Seal the firmware of each component, pack it, judge it, and write it into `out`, as `imgseal build` does.

    `firmware` names files by component: Intel HEX, S-records, ELF, sealed images, or flat binaries as "FILE@ADDRESS";
    several for a component with two run slots. Without `product` the nearest imgseal.toml is used; `settings` replaces
    values of it, such as {"release.version": "2.4.1"}. `revision` is the source revision in hex. A release is signed
    with the release keys and added to the release log where one is kept; `development` makes a development build. The
    package names the bill of materials in `sbom` (CycloneDX or SPDX JSON).

    Raises UsageError, InputError, KeyTroubleError or RefusedError, and has written nothing then.
    """
    from imgseal.cli.bill import load_bill
    from imgseal.cli.build import make_release, release_outputs
    from imgseal.cli.earlier_build import read_build
    from imgseal.cli.firmware import load_image_or_sealed, parse_firmware
    from imgseal.cli.history import counters_running_out
    from imgseal.cli.project import Project
    from imgseal.cli.release_log import plan_entry, write_logged
    from imgseal.cli.signing import build_time, source_revision
    from imgseal.files import load_artefact, refuse_overlap
    from imgseal.flow import FirmwareFile
    from imgseal.make.seal import SealOptions

    project = Project.load(
        None if product is None else os.fspath(product),
        tuple(f"{key}={value}" for key, value in (settings or {}).items()),
        variant,
    )
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    arguments = [parse_firmware(f"{name}={path}", project.product) for name, path in _each(firmware)]
    if not arguments:
        raise UsageError(
            "there is no firmware", expected="files by component name", hint='for example {"motor": "app.hex"}'
        )
    before = None if previous is None else load_artefact(os.fspath(previous))
    with ExitStack() as stack:
        files = [
            FirmwareFile(
                a.component, a.path, stack.enter_context(load_image_or_sealed(a.path, a.base, project.product))
            )
            for a in arguments
        ]
        bill = load_bill(None if sbom is None else os.fspath(sbom))
        made, signers = make_release(files, project, options, bill, before, unfinished=unfinished)
        outputs = release_outputs(made, project.product, os.fspath(out), development=development, unfinished=unfinished)
        entry = [(project, made.package, signers)]
        plan = None if development else plan_entry(entry, options.build_time, options.source_revision)
        given = [os.fspath(path) for path in (previous, sbom) if path is not None]
        inputs = [*(a.path for a in arguments), *given, *project.own_files()]
        refuse_overlap([output.path for output in outputs], inputs)
        before_this = read_build(os.fspath(out))
        notes = [
            *project.notes_on_keys(development=development),
            *counters_running_out(made.images),
            *made.notes,
            *before_this.notes(outputs, project.product, made.package.digest.value.hex()),
            *write_logged(outputs, plan),
        ]
    package = next(output.path for output in outputs if output.path.endswith(".suit"))
    return Release(package, tuple(o.path for o in outputs), tuple(dict.fromkeys(notes)), made.verdict)


def judge(
    artefact: "Path | bytes",
    *,
    product: "Path | None" = None,
    device: "Path | None" = None,
    development: bool = False,
    slot: str | None = None,
    payload: "Path | bytes | None" = None,
    as_of: str | None = None,
    settings: Mapping[str, object] | None = None,
    variant: str | None = None,
) -> "Verdict":
    """Judge a sealed image, package, slot dump or trust anchor update as `imgseal check` does.

    `artefact` and `payload`, which belongs to a detached header, are paths or the bytes themselves. `device` is a state
    file; `slot` names the slot that the artefact is a dump of; `as_of` the day that keys have to be in force on, else
    today. What is wrong with the artefact is in the verdict, never an exception; errors of imgseal.errors are raised
    for everything else.
    """
    from imgseal.cli.check import judge_of
    from imgseal.cli.project import Project

    project = Project.load(
        None if product is None else os.fspath(product),
        tuple(f"{key}={value}" for key, value in (settings or {}).items()),
        variant,
    )
    if slot is not None and slot not in project.product.slots:
        raise UsageError(
            "the product file has no such slot",
            expected=", ".join(project.product.slots),
            found=slot,
            hint="name a slot of the product file",
        )
    judge_one = judge_of(project, None if device is None else os.fspath(device), development=development, as_of=as_of)
    name = "the artefact" if isinstance(artefact, bytes) else os.fspath(artefact)
    data = _view(artefact, project.product if slot is None else None)
    return judge_one(data, name, slot=slot, payload=None if payload is None else _view(payload))


def _view(what: "Path | bytes", product: "Product | None" = None) -> "ByteView":
    from imgseal.cli.check import open_artefact
    from imgseal.memory.view import ByteView

    return ByteView(what) if isinstance(what, bytes) else open_artefact(os.fspath(what), product)


def _each(firmware: "Mapping[str, Path | Sequence[Path]]") -> list[tuple[str, str]]:
    """Return component and file of each firmware file."""
    out = []
    for name, given in firmware.items():
        several = [given] if isinstance(given, (str, os.PathLike)) else list(given)
        out += [(name, os.fspath(path)) for path in several]
    return out
