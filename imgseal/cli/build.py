"""`imgseal build`: for the firmware build script. Seals every component, packs, judges, and only then writes."""

import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import ExitStack
from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.cli.bill import bill_option, load_bill
from imgseal.cli.earlier_build import RELEASE_NAME, read_build
from imgseal.cli.fielded import fielded_now
from imgseal.cli.firmware import load_image_or_sealed, parse_firmware
from imgseal.cli.history import counters_running_out, refuse_going_down
from imgseal.cli.pack import package_file_name
from imgseal.cli.project import Project, product_options
from imgseal.cli.release_log import plan_entry, refuse_below_log, refuse_development_keys, write_logged
from imgseal.cli.seal import image_outputs
from imgseal.cli.signing import build_time, day_of, source_revision
from imgseal.errors import UsageError, visible
from imgseal.files import Output, load_artefact, refuse_overlap
from imgseal.flow import FirmwareFile, ReleaseResult, release
from imgseal.make.seal import SealOptions

if TYPE_CHECKING:
    from imgseal.flow.later import Asking, Job
    from imgseal.keys.signer import Signer
    from imgseal.make.pack import Package
    from imgseal.memory.view import ByteView
    from imgseal.product.model import Product
    from imgseal.sbom.bill import Bill
    from imgseal.state.fielded import Fielded

__all__ = ["command", "make_release", "release_outputs", "request_outputs"]

_ALL = "all"


@click.command(
    "build",
    epilog="""
\b
Examples:
  imgseal build motor=app.hex radio=radio.srec --out out
  imgseal build motor=app-a.hex motor=app-b.hex       both run slots in one package
  imgseal build phrases=phrases.bin@0x60080400        a flat binary and its address
  imgseal build radio=old/radio.sealed.bin motor=app.hex   keeps a sealed image byte for byte
  imgseal build motor=app.hex --release --set release.version=2.4.1 --depfile out/fw.d
  imgseal build motor=app.hex --release --previous old/vent-drive-2.4.0-16.suit
  imgseal build motor=app.hex --release --sbom bom.cdx.json
  imgseal build motor=app.hex --release --sign-later   the keys are in another room

\b
Without --release everything is marked as development and signed with the development keys.
""",
)
@click.argument("firmware", metavar="NAME=FILE[@ADDRESS]...", nargs=-1, required=True)
@click.option("--release", "is_release", is_flag=True, help="The real one: release keys, no development flag.")
@click.option("--out", default="out", show_default=True, metavar="DIR", help="Folder for what is written.")
@click.option("--depfile", metavar="FILE", help="Write a dependency file for Make and Ninja.")
@click.option("--previous", metavar="PACKAGE", help="Refuse counters or a sequence that go down against this package.")
@click.option("--revision", metavar="HEX", help="Source revision to record, up to 64 hex digits.")
@bill_option
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to endorse it yet.")
@click.option("--sign-later", is_flag=True, help="Write a signing request for the keys that are held elsewhere.")
@click.option("--with-firmware", is_flag=True, help="Put the firmware into the request, for whoever endorses it.")
@product_options
def command(
    firmware: tuple[str, ...],
    is_release: bool,
    out: str,
    depfile: str | None,
    previous: str | None,
    revision: str | None,
    sbom: str | None,
    unfinished: bool,
    sign_later: bool,
    with_firmware: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Seal every component and pack the release.

    Writes the update package, each sealed image, and release.json with paths, digests and sizes. Everything is judged
    before anything is written; when something is refused, nothing is written. Where the product file states a release
    log, --release adds an entry to it.
    """
    base = Project.load(product_file, settings, None if variant == _ALL else variant)
    projects = [base]
    if variant == _ALL:
        projects = [Project.load(product_file, settings, name) for name in base.product.variants]
        if not projects:
            raise UsageError(
                "--variant all, but the product file has no variants",
                hint="leave --variant out, or add [variant.NAME] to the product file",
            )
    if with_firmware and not sign_later:
        raise UsageError(
            "--with-firmware goes with --sign-later", hint="add --sign-later, or leave --with-firmware out"
        )
    development = not is_release
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    arguments = [parse_firmware(argument, base.product) for argument in firmware]
    inputs = [argument.path for argument in arguments] + [path for path in (previous, sbom) if path is not None]
    bill = load_bill(sbom)
    before_package = load_artefact(previous) if previous else None
    outputs: list[Output] = []
    lines: list[str] = []
    notes: list[str] = []
    if sign_later:
        from imgseal.flow.later import ask
    made_packages: list[tuple[Project, Package, tuple[Signer, ...]]] = []
    notes += base.notes_on_keys(development=development)
    with ExitStack() as stack:
        files = [
            FirmwareFile(a.component, a.path, stack.enter_context(load_image_or_sealed(a.path, a.base, base.product)))
            for a in arguments
        ]
        for project in projects:
            folder = os.path.join(out, project.product.variant) if project.product.variant and variant == _ALL else out
            if sign_later:
                job = _job(files, project, options, bill, before_package, unfinished=unfinished)
                asking = ask(job, with_firmware=with_firmware)
                if before_package is not None:
                    refuse_going_down(asking.rehearsed.package, asking.rehearsed.images, before_package, project)
                if is_release:
                    refuse_below_log(project, asking.rehearsed.package)
                outputs += request_outputs(asking, project.product, folder, development=development)
                notes += [*asking.notes, *counters_running_out(asking.rehearsed.images)]
                continue
            result, signers = make_release(files, project, options, bill, before_package, unfinished=unfinished)
            made_packages.append((project, result.package, signers))
            notes += counters_running_out(result.images)
            made = release_outputs(result, project.product, folder, development=development, unfinished=unfinished)
            before = read_build(folder)
            lines += [_slot_line(result, index, before.sizes) for index in range(len(result.images))]
            outputs += made
            notes += [*result.notes, *before.notes(made, project.product, result.package.digest.value.hex())]
        if depfile is not None:
            paths = [output.path for output in outputs]
            # the one name that no version changes: build descriptions can state it beforehand, and Ninja demands it
            targets = [path for path in paths if os.path.basename(path) == RELEASE_NAME] or paths
            outputs.append(Output(depfile, [_dependencies(targets, [*inputs, *base.inputs()])]))
        logged = is_release and not sign_later
        plan = plan_entry(made_packages, options.build_time, options.source_revision) if logged else None
        refuse_overlap([o.path for o in outputs], [*inputs, *base.own_files()])
        notes += write_logged(outputs, plan)
    for note in dict.fromkeys(notes):
        click.echo(f"imgseal: {visible(note)}", err=True)
    for line in lines:
        click.echo(line)
    for output in outputs:
        if output.path.endswith((".suit", ".request.json")):
            click.echo(output.path)


def make_release(
    files: list[FirmwareFile],
    project: Project,
    options: SealOptions,
    bill: "Bill | None",
    before: "ByteView | None",
    *,
    unfinished: bool,
) -> "tuple[ReleaseResult, tuple[Signer, ...]]":
    """Make a release with the product file's keys, hold it against the package before, and return who signed it."""
    development = options.development
    image_signers = project.signers("images", development=development)
    package_signers = project.signers("packages", development=development)
    if not development and project.product.ledger is not None:
        refuse_development_keys(project, (*image_signers, *package_signers))
    result = release(
        files,
        project.product,
        options,
        image_signers=image_signers,
        package_signers=package_signers,
        trust=project.trust(development=development),
        day=day_of(options.build_time),
        unfinished=unfinished,
        bill=bill,
        fielded=_fielded(project, before, development=development),
    )
    if before is not None:
        refuse_going_down(result.package, result.images, before, project)
    return result, package_signers


def _fielded(project: Project, before: "ByteView | None", *, development: bool) -> "Fielded | None":
    """Return which bootloaders the release is judged by; a log that is missing begins with it."""
    if before is None or development:
        return fielded_now(project, None, development=development, begins_log=True)
    from imgseal.compare.contents import read_contents

    contents = read_contents(before.read(0, before.size), "the previous package", project.product)
    return fielded_now(project, contents, development=development, begins_log=True)


def release_outputs(
    result: ReleaseResult, product: "Product", folder: str, *, development: bool, unfinished: bool
) -> list[Output]:
    """Name the files of a release: package, sealed images, and release.json, which says what they are."""
    release_ = product.release
    package_name = package_file_name(product, development=development, unfinished=unfinished)
    outputs = [Output(os.path.join(folder, package_name), result.package.pieces())]
    files: list[dict[str, object]] = [_entry(package_name, list(result.package.pieces()), "update package")]
    for image in result.images:
        for output in image_outputs(image, product, folder):
            outputs.append(output)
            what = "detached payload" if output.path.endswith(".payload.bin") else "sealed image"
            if output.path.endswith(".header.bin"):
                what = "detached header"
            pieces = image.payload.chunks() if what == "detached payload" else image.pieces()
            files.append(
                {
                    **_entry(os.path.basename(output.path), pieces, what),
                    "component": image.placed.component.name,
                    "slot": image.placed.slot.name,
                    "version": str(image.statement.version),
                    "counter": image.statement.counter,
                    "payload_size": image.payload.size,
                }
            )
    document = {
        "format": 1,
        "imgseal": __version__,
        "product": product.name,
        "class": product.class_name,
        "variant": product.variant,
        "version": str(release_.version),
        "sequence": release_.sequence,
        "development": development,
        "manifest_digest": result.package.digest.value.hex(),
        "files": files,
    }
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    outputs.append(Output(os.path.join(folder, RELEASE_NAME), [text.encode()], last=True))
    return outputs


def request_outputs(asking: "Asking", product: "Product", folder: str, *, development: bool) -> list[Output]:
    """Name the files of a request: itself, and the sealed images that a request for a package speaks for."""
    from imgseal.request.request import encode_request

    outputs = [output for image in asking.images for output in image_outputs(image, product, folder)]
    what = "images" if asking.request.items[0].is_statement else "package"
    name = package_file_name(product, development=development, unfinished=False).removesuffix(".suit")
    return [*outputs, Output(os.path.join(folder, f"{name}-{what}.request.json"), [encode_request(asking.request)])]


def _job(
    files: list[FirmwareFile],
    project: Project,
    options: SealOptions,
    bill: "Bill | None",
    before: "ByteView | None",
    *,
    unfinished: bool,
) -> "Job":
    from imgseal.flow.later import Job

    development = options.development
    return Job(
        files,
        project.product,
        options,
        project.signers("images", development=development),
        project.signers("packages", development=development),
        project.trust(development=development),
        day_of(options.build_time),
        unfinished,
        bill,
        _fielded(project, before, development=development),
    )


def _entry(path: str, pieces: Iterable[bytes | memoryview], what: str) -> dict[str, object]:
    state, size = hashlib.sha256(), 0
    for piece in pieces:
        state.update(piece)
        size += len(piece)
    return {"path": path, "what": what, "size": size, "sha256": state.hexdigest()}


def _slot_line(result: ReleaseResult, index: int, before: dict[str, int]) -> str:
    """Say in one line how full a slot is, what changed, and where the counter stands."""
    image = result.images[index]
    placed = image.placed
    used, room = placed.payload.size, placed.room
    change = ""
    if placed.slot.name in before:
        change = f", {(used - before[placed.slot.name]) / 1024:+.1f}"
    steps = placed.component.counter_steps
    counter = f"counter {image.statement.counter}" + (f" of {steps}" if steps is not None else "")
    name = placed.component.name
    return (
        f"{name} {image.statement.version} in {placed.slot.name}: "
        f"{used / 1024:.1f} of {room / 1024:.1f} KiB{change}; {counter}"
    )


def _dependencies(targets: list[str], inputs: list[str]) -> bytes:
    """Return a dependency file: every target depends on every input. Make's quoting.

    A backslash before blanks and #, $$. Each input is also a target without prerequisites, so that Make runs again, and
    does not stop, where one is gone: a key that the product file no longer names.
    """
    left = " ".join(_quoted(target) for target in targets)
    quoted = [_quoted(path) for path in dict.fromkeys(inputs)]
    right = " \\\n  ".join(quoted)
    return (f"{left}: \\\n  {right}\n" + "".join(f"{path}:\n" for path in quoted)).encode()


def _quoted(path: str) -> str:
    for character in (" ", "#"):
        path = path.replace(character, "\\" + character)
    return path.replace("$", "$$")
