"""For build scripts in Python: `imgseal build` and `imgseal check` as two functions.

Both raise the errors of imgseal.errors and print nothing. Pass phrases and PINs come from where the commands take them:
the environment, a token, a prompt; never from an argument.
"""

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from imgseal.errors import UsageError
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.findings import Verdict
    from imgseal.product.model import Product
    from imgseal.window import ByteView
    from imgseal.workspace.project import Project

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

    Raises UsageError, InputError, SigningKeyError or RefusedError, and has written nothing then.
    """
    from imgseal.make.seal import SealOptions
    from imgseal.workspace.clock import build_time, source_revision
    from imgseal.workspace.files import load_artefact
    from imgseal.workspace.firmware import load_bill, parse_firmware
    from imgseal.workspace.outputs import release_outputs
    from imgseal.workspace.previous_build import read_build
    from imgseal.workspace.release_job import firmware_files, make_release, release_job, write_release
    from imgseal.workspace.release_numbers import counters_running_out
    from imgseal.workspace.session import session

    project = _project(product, settings, variant)
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    arguments = [parse_firmware(f"{name}={path}", project.product) for name, path in _each(firmware)]
    if not arguments:
        raise UsageError(
            "there is no firmware", expected="files by component name", hint='for example {"motor": "app.hex"}'
        )
    before = None if previous is None else load_artefact(os.fspath(previous))
    with session(), firmware_files(arguments, project.product) as files:
        bill = load_bill(None if sbom is None else os.fspath(sbom))
        job = release_job(project, files, options, before=before, bill=bill, unfinished=unfinished)
        made = make_release(project, job, before)
        outputs = release_outputs(made, job, os.fspath(out))
        inputs = [*(a.path for a in arguments), *(os.fspath(path) for path in (previous, sbom) if path is not None)]
        notes = [
            *project.product.notes,
            *project.notes_on_keys(development=development),
            *counters_running_out(made.images),
            *made.notes,
            *read_build(os.fspath(out)).notes(outputs, project.product, made.package.digest.value.hex()),
            *write_release(outputs, inputs, project, [(project, made.package, job.package_signers)], options),
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
    from imgseal.workspace.judging import judge_of

    project = _project(product, settings, variant)
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


def _project(product: "Path | None", settings: Mapping[str, object] | None, variant: str | None) -> "Project":
    from imgseal.workspace.project import Project

    changed = tuple(f"{key}={value}" for key, value in (settings or {}).items())
    return Project.load(None if product is None else os.fspath(product), changed, variant)


def _view(what: "Path | bytes", product: "Product | None" = None) -> "ByteView":
    from imgseal.window import ByteView
    from imgseal.workspace.artefacts import open_artefact

    return ByteView(what) if isinstance(what, bytes) else open_artefact(os.fspath(what), product)


def _each(firmware: "Mapping[str, Path | Sequence[Path]]") -> list[tuple[str, str]]:
    """Return component and file of each firmware file."""
    out = []
    for name, given in firmware.items():
        several = [given] if isinstance(given, (str, os.PathLike)) else list(given)
        out += [(name, os.fspath(path)) for path in several]
    return out
