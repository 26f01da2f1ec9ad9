"""`imgseal build`: for the firmware build script. Seals every component, packs, judges, and only then writes."""

import os

import click

from imgseal.console.options import ChosenProduct, bill_option, product_options
from imgseal.console.say import say, say_written
from imgseal.errors import UsageError
from imgseal.flow.contents import Contents
from imgseal.flow.release import Job
from imgseal.make.seal import SealedImage, SealOptions
from imgseal.workspace.clock import build_time, source_revision
from imgseal.workspace.files import load_artefact
from imgseal.workspace.firmware import load_bill, parse_firmware
from imgseal.workspace.outputs import RELEASE_NAME
from imgseal.workspace.project import Project
from imgseal.workspace.release_job import build_release, firmware_files, read_previous, release_job, write_release
from imgseal.workspace.release_log import Made, refuse_below_log
from imgseal.workspace.release_numbers import compare_numbers
from imgseal.workspace.staging import Output

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
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to sign it yet.")
@click.option("--sign-later", is_flag=True, help="Write a signing request for the keys that are held elsewhere.")
@click.option("--with-firmware", is_flag=True, help="Put the firmware into the request, for whoever signs it.")
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
    chosen: ChosenProduct,
) -> None:
    """Seal every component and pack the release.

    Writes the update package, each sealed image, and release.json with paths, digests and sizes. Everything is judged
    before anything is written; when something is refused, nothing is written. Where the product file states a release
    log, --release adds an entry to it.
    """
    base, projects = _projects(chosen)
    if with_firmware and not sign_later:
        raise UsageError(
            "--with-firmware goes with --sign-later", hint="add --sign-later, or leave --with-firmware out"
        )
    options = SealOptions(build_time(), development=not is_release, source_revision=source_revision(revision))
    arguments = [parse_firmware(argument, base.product) for argument in firmware]
    inputs = [path for path in (*(each.path for each in arguments), previous, sbom) if path is not None]
    bill = load_bill(sbom)
    package_before = load_artefact(previous) if previous else None  # read once, whatever the variants
    outputs: list[Output] = []
    lines: list[str] = []
    notes = base.notes_on_keys(development=options.development)
    made: list[Made] = []
    with firmware_files(arguments, base.product) as files:
        for project in projects:
            folder = os.path.join(out, project.product.variant or "") if chosen.variant == _ALL else out
            before = read_previous(package_before, project.product)
            job = release_job(project, files, options, before=before, bill=bill, unfinished=unfinished)
            if sign_later:
                asked, said = _request(project, job, before, folder, with_firmware=with_firmware)
                outputs += asked
                notes += said
                continue
            built = build_release(project, job, before, folder)
            made.append(built.made)
            lines += [_slot_line(image, built.replaced.sizes) for image in built.result.images]
            outputs += built.outputs
            notes += built.notes
        if depfile is not None:
            outputs.append(Output(depfile, [_dependencies(outputs, [*inputs, *base.inputs()])]))
        notes += write_release(outputs, inputs, base, made, options)
    say(notes)
    for line in lines:
        click.echo(line)
    say_written(outputs)


def _projects(chosen: ChosenProduct) -> tuple[Project, list[Project]]:
    """Return the project, and what is built of it: itself, or each of its variants where all are wanted."""
    if chosen.variant != _ALL:
        project = chosen.load()
        return project, [project]
    base = chosen._replace(variant=None).load()
    if not base.product.variants:
        raise UsageError(
            "--variant all, but the product file has no variants",
            hint="leave --variant out, or add [variant.NAME] to the product file",
        )
    return base, [chosen._replace(variant=name).load() for name in base.product.variants]


def _request(
    project: Project, job: Job, before: Contents | None, folder: str, *, with_firmware: bool
) -> tuple[list[Output], list[str]]:
    """Ask for the signatures that cannot be made here; return the files of the request, and what is to be said."""
    from imgseal.offline.offline_signing import ask
    from imgseal.offline.outputs import request_outputs

    asking = ask(job, with_firmware=with_firmware)
    running_out = compare_numbers(asking.rehearsed, before, project)
    if not job.options.development:
        refuse_below_log(project, asking.rehearsed.package)
    return request_outputs(asking, job, folder), [*asking.notes, *running_out]


def _slot_line(image: SealedImage, before: dict[str, int]) -> str:
    """Say in one line how full a slot is, what changed, and where the counter stands."""
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


def _dependencies(outputs: list[Output], inputs: list[str]) -> bytes:
    """Return a dependency file: every target depends on every input. Make's quoting.

    A backslash before blanks and #, $$. Each input is also a target without prerequisites, so that Make runs again, and
    does not stop, where one is gone: a key that the product file no longer names.
    """
    paths = [output.path for output in outputs]
    # the one name that no version changes: build descriptions can state it beforehand, and Ninja demands it
    targets = [path for path in paths if os.path.basename(path) == RELEASE_NAME] or paths
    left = " ".join(map(_quoted, targets))
    quoted = [_quoted(path) for path in dict.fromkeys(inputs)]
    right = " \\\n  ".join(quoted)
    return (f"{left}: \\\n  {right}\n" + "".join(f"{path}:\n" for path in quoted)).encode()


def _quoted(path: str) -> str:
    for character in (" ", "#"):
        path = path.replace(character, "\\" + character)
    return path.replace("$", "$$")
