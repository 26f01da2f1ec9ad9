"""For build scripts in Python: `imgseal build`, `seal`, `check` and `factory` as functions.

They raise the errors of imgseal.errors and print nothing. Pass phrases and PINs come from where the commands take them:
the environment, a token, a prompt; never from an argument.
"""

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypeAlias

from imgseal.errors import UsageError
from imgseal.findings import Verdict
from imgseal.flow.release import FirmwareFile
from imgseal.flow.release import seal as seal_firmware
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import MemoryImage
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import ByteView
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.clock import build_time, day_of, source_revision
from imgseal.workspace.files import load_artefact
from imgseal.workspace.firmware import Firmware as NamedFile
from imgseal.workspace.firmware import component_of, load_bill, parse_firmware
from imgseal.workspace.judging import Judges
from imgseal.workspace.line import load_products
from imgseal.workspace.numbering import Said
from imgseal.workspace.outputs import placed_pieces
from imgseal.workspace.project import Project
from imgseal.workspace.release_job import (
    Built,
    build_release,
    firmware_files,
    number_job,
    read_previous,
    release_job,
    with_a_free_number,
    write_release,
)
from imgseal.workspace.session import session
from imgseal.workspace.verified_log import open_log

if TYPE_CHECKING:
    import intelhex

    Path = str | os.PathLike[str]
    Firmware: TypeAlias = Path | intelhex.IntelHex | MemoryImage

__all__ = ["Release", "factory_image", "judge", "release", "seal"]


class Release(NamedTuple):
    """What was made: the package's path, every path that was written, remarks, and the verdict that let it pass."""

    package: str
    paths: tuple[str, ...]
    notes: tuple[str, ...]
    verdict: Verdict


def release(
    firmware: "Mapping[str, Firmware | Sequence[Firmware]]",
    *,
    out: "Path" = "out",
    product: "Path | None" = None,
    development: bool = False,
    settings: Mapping[str, object] | None = None,
    variant: str | None = None,
    channel: str | None = None,
    previous: "Path | None" = None,
    revision: str | None = None,
    unfinished: bool = False,
    sbom: "Path | None" = None,
    again: str = "",
    unrecorded: str = "",
    entry: int | None = None,
) -> Release:
    """Seal the firmware of each component, pack it, judge it, and write it into `out`, as `imgseal build` does.

    `firmware` names files by component: Intel HEX, S-records, ELF, sealed images, or flat binaries as
    "FILE@ADDRESS"; or holds the firmware itself, an `intelhex.IntelHex` or a MemoryImage. A component with two run
    slots takes several. Without `product` the nearest imgseal.toml is used; `settings` replaces values of it, such
    as {"release.version": "2.4.1"}; `channel` is the one whose devices it is for. `revision` is the source revision
    in hex. A release is signed with the release keys and added to the release log where one is kept; `development`
    makes a development build. `previous` is the package that devices have: no number may go below its own. An
    `unfinished` package may lack signatures. The package names the bill of materials in `sbom` (CycloneDX or SPDX
    JSON). `again` and `unrecorded` are reasons, which the log keeps, for releasing a version once more or a lower
    one, and for having no revision; `entry` is the number of a log entry whose release is made once more.

    Raises UsageError, InputError, SigningKeyError or RefusedError, and has written nothing then.
    """
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    data = None if previous is None else load_artefact(os.fspath(previous))
    bill = load_bill(None if sbom is None else os.fspath(sbom))

    def attempt() -> tuple[Built, list[str]]:
        project = _project(product, settings, variant, channel)
        given = [_firmware(name, each, project.product) for name, each in _each(firmware)]
        if not given:
            raise UsageError(
                "there is no firmware", expected="files by component name", hint='for example {"motor": "app.hex"}'
            )
        before = read_previous(data, project.product)
        log = None if development else open_log(project, before)
        with firmware_files(given, project.product) as files:
            job = release_job(project, files, options, before=before, bill=bill, unfinished=unfinished)
            project, job, numbered = number_job(project, job, log, Said(again, unrecorded, entry))
            built = build_release(project, job, before, os.fspath(out), numbered)
            inputs = [each.path for each in given if isinstance(each, NamedFile)]
            inputs += [os.fspath(path) for path in (previous, sbom) if path is not None]
            written = write_release(built.outputs, inputs, project, [built.made], options)
        notes = [*project.product.notes, *project.notes_on(development=development), *built.notes, *written]
        return built, notes

    with session():
        built, notes = with_a_free_number(attempt)
    paths = tuple(output.path for output in built.outputs)
    package = next(path for path in paths if path.endswith(".suit"))
    return Release(package, paths, tuple(dict.fromkeys(notes)), built.result.verdict)


def seal(
    component: str,
    firmware: "Firmware",
    *,
    product: "Path | None" = None,
    development: bool = False,
    settings: Mapping[str, object] | None = None,
    variant: str | None = None,
    revision: str | None = None,
) -> MemoryImage:
    """Seal firmware for one component, judge it, and return what belongs into the device's memory; nothing is written.

    `firmware` is a file or the firmware itself, and the other arguments what they are for `release`, as are the errors.
    The image holds the sealed image in its slot, of a detached one header and payload, and what the firmware carries
    for other components.
    """
    project = _project(product, settings, variant)
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    given = _firmware(component, firmware, project.product)
    with session(), firmware_files([given], project.product) as files:
        image = files[0].content
        if not isinstance(image, MemoryImage):
            raise UsageError("this is sealed already", found=files[0].name, hint="give the firmware without its header")
        signers, trust = project.signers("images", development=development), project.trust(development=development)
        part = project.product.components[component]
        sealed = seal_firmware(
            image, project.product, part, files[0].name, options, signers, trust, day=day_of(options.build_time)
        )
        builder = ImageBuilder()
        for made in sealed:
            for address, piece in placed_pieces(made, project.product):
                builder.add(address, piece)
    return builder.finish()


def factory_image(
    packages: "Sequence[Path]",
    *,
    product: "Path | None" = None,
    development: bool = False,
    hardware: int | None = None,
    without_recovery: bool = False,
    settings: Mapping[str, object] | None = None,
    variant: str | None = None,
    channel: str | None = None,
) -> MemoryImage:
    """Return what the production programmer writes, as `imgseal factory` makes it; nothing is written.

    The first package is the release; others may bring components that it does not, such as the recovery image. Raises
    UsageError, InputError, SigningKeyError, or RefusedError for a package that the judge refuses.
    """
    from imgseal.factory.prepare import prepare  # it brings the rehearsal along

    project = _project(product, settings, variant, channel)
    made = prepare(
        project,
        [os.fspath(path) for path in packages],
        hardware=hardware,
        without_recovery=without_recovery,
        development=development,
    )
    builder = ImageBuilder()
    for part in made.parts:
        builder.add(part.address, part.data)
    return builder.finish()


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
    channel: str | None = None,
) -> Verdict:
    """Judge a sealed image, package, slot dump or trust anchor update as `imgseal check` does.

    `artefact` and `payload`, which belongs to a detached header, are paths or the bytes themselves. `device` is a state
    file; `slot` names the slot that the artefact is a dump of; `as_of` the day that keys have to be in force on, else
    today. What is wrong with the artefact is in the verdict, never an exception; errors of imgseal.errors are raised
    for everything else.
    """
    products = load_products(None if product is None else os.fspath(product), _changed(settings), variant, channel)
    judges = Judges(products, None if device is None else os.fspath(device), development=development, as_of=as_of)
    name = "the artefact" if isinstance(artefact, bytes) else os.fspath(artefact)
    data = _view(artefact, judges.all_products if slot is None else ())
    return judges(data, name, slot=slot, payload=None if payload is None else _view(payload))[0]


def _project(
    product: "Path | None", settings: Mapping[str, object] | None, variant: str | None, channel: str | None = None
) -> Project:
    project = Project.load(None if product is None else os.fspath(product), _changed(settings), variant)
    return project if channel is None else project.in_channel(channel)


def _changed(settings: Mapping[str, object] | None) -> tuple[str, ...]:
    return tuple(f"{key}={value}" for key, value in (settings or {}).items())


def _view(what: "Path | bytes", products: tuple[Product, ...] = ()) -> ByteView:
    return ByteView(what) if isinstance(what, bytes) else open_artefact(os.fspath(what), products)


def _each(firmware: "Mapping[str, Firmware | Sequence[Firmware]]") -> "list[tuple[str, Firmware]]":
    """Return component and firmware of each."""
    out: list[tuple[str, Firmware]] = []
    for name, given in firmware.items():
        out += [(name, each) for each in given] if isinstance(given, (list, tuple)) else [(name, given)]
    return out


def _firmware(name: str, given: "Firmware", product: Product) -> NamedFile | FirmwareFile:
    """Return a file of firmware as it is named, or firmware that is here already."""
    if isinstance(given, (str, os.PathLike)):
        return parse_firmware(f"{name}={os.fspath(given)}", product)
    image = given if isinstance(given, MemoryImage) else MemoryImage.from_intelhex(given)
    return FirmwareFile(component_of(product, name).name, f"the firmware of {name}", image)
