"""`imgseal build`: for the firmware build script. Seals every component, packs, judges, and only then writes."""

import os
import shlex
from contextlib import ExitStack

import click

from imgseal.console.options import (
    ChosenProduct,
    again_option,
    bill_option,
    product_options,
    reason,
    unrecorded_option,
)
from imgseal.console.say import say, say_written
from imgseal.errors import ImgsealError, Place, UsageError
from imgseal.flow.contents import Contents
from imgseal.flow.release import Job
from imgseal.make.pack import Package
from imgseal.make.seal import SealedImage, SealOptions
from imgseal.records import NamedTuple
from imgseal.releasing.describe import described
from imgseal.releasing.orders import FirmwareShelf, take_orders
from imgseal.workspace.clock import build_time, source_revision
from imgseal.workspace.files import load_artefact, refuse_overlap
from imgseal.workspace.firmware import load_bill
from imgseal.workspace.line import Products
from imgseal.workspace.numbering import Said
from imgseal.workspace.outputs import RELEASE_NAME
from imgseal.workspace.project import Project
from imgseal.workspace.release_job import (
    build_release,
    number_job,
    read_previous,
    release_job,
    with_a_free_number,
    write_release,
)
from imgseal.workspace.release_log import Made, plan_reservation
from imgseal.workspace.release_numbers import compare_numbers
from imgseal.workspace.staging import Output
from imgseal.workspace.verified_log import open_log

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
  imgseal build rev1:motor=a.hex rev2:motor=b.hex radio=rf.hex --variant all
  imgseal build pump/motor=pump.hex vent/motor=vent.hex    two members of a product line

\b
Without --release everything is marked as development and signed with the development keys.
""",
)
@click.argument("firmware", metavar="[PRODUCT/][VARIANT:]NAME=FILE[@ADDRESS]...", nargs=-1, required=True)
@click.option("--release", "is_release", is_flag=True, help="The real one: release keys, no development flag.")
@click.option("--out", default="out", show_default=True, metavar="DIR", help="Folder for what is written.")
@click.option("--depfile", metavar="FILE", help="Write a dependency file for Make and Ninja.")
@click.option("--previous", metavar="PACKAGE", help="Refuse counters or a sequence that go down against this package.")
@click.option("--revision", metavar="HEX", help="Source revision to record, up to 64 hex digits.")
@click.option("--describe", metavar="TEXT", help="Version and revision from: git describe --long --always --dirty.")
@again_option
@unrecorded_option
@click.option("--entry", type=int, metavar="ENTRY", help="Make the release of this log entry once more.")
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
    describe: str | None,
    again: str | None,
    unrecorded: str | None,
    entry: int | None,
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
    if with_firmware and not sign_later:
        raise UsageError(
            "--with-firmware goes with --sign-later", hint="add --sign-later, or leave --with-firmware out"
        )
    said = Said(reason(again, "--again"), reason(unrecorded, "--unrecorded"), entry)
    if describe is not None:
        chosen, revision = described(describe, chosen, revision, is_release=is_release, said=said)
    options = SealOptions(build_time(), development=not is_release, source_revision=source_revision(revision))
    asked = _Asked(firmware, out, depfile, previous, sbom, unfinished, sign_later, with_firmware, said)
    outputs, lines, notes = with_a_free_number(lambda: _build(asked, options, chosen))
    say(notes)
    for line in lines:
        click.echo(line)
    say_written(outputs)


class _Asked(NamedTuple):
    """What the command line says of a build; see the options."""

    firmware: tuple[str, ...]
    out: str
    depfile: str | None
    previous: str | None
    sbom: str | None
    unfinished: bool
    sign_later: bool
    with_firmware: bool
    said: Said


class _Work(NamedTuple):
    """What is to be written for one product, as one release: files, what is in them, and what they were made from."""

    base: Project
    logged: bool
    inputs: list[str]
    outputs: list[Output]
    made: list[Made]
    jobs: list[Job]


def _build(asked: _Asked, options: SealOptions, chosen: ChosenProduct) -> tuple[list[Output], list[str], list[str]]:
    """Make it and write it; return what was written, a line for each slot, and notes."""
    every = chosen.variant == _ALL
    products = (chosen._replace(variant=None) if every else chosen).every()
    for option, given in (("--previous", asked.previous), ("--sbom", asked.sbom), ("--entry", asked.said.entry)):
        if given is not None and products.is_line:
            raise UsageError(
                f"{option} is about one product, and here is a product line",
                place=Place(file=products.path),
                hint=f"build that one alone: --product NAME {option} ...",
            )
    orders, notes = take_orders(products, asked.firmware, every_variant=every)
    bill = load_bill(asked.sbom)
    package_before = load_artefact(asked.previous) if asked.previous else None  # read once, whatever the variants
    beside = [path for path in (asked.previous, asked.sbom) if path is not None]
    lines: list[str] = []
    works: list[_Work] = []
    with ExitStack() as stack:
        shelf = FirmwareShelf(stack)
        for order in orders:
            base = order.projects[0]
            log = None if options.development else open_log(base, read_previous(package_before, base.product))
            work = _Work(base, log is not None, [*order.paths(), *beside], [], [], [])
            works.append(work)
            for chosen_one in order.projects:
                project = chosen_one
                variant = project.product.variant
                parts = [base.product.name] if products.is_line else []
                folder = os.path.join(asked.out, *parts, *([variant] if variant and every else []))
                before = read_previous(package_before, project.product)
                files = shelf.files(order.firmware(project.product), project.product)
                job = release_job(project, files, options, before=before, bill=bill, unfinished=asked.unfinished)
                project, job, numbered = number_job(project, job, log, asked.said)
                work.jobs.append(job)
                notes += [each for each in project.notes_on(development=options.development) if each not in notes]
                if asked.sign_later:
                    package, files_of_it, said = ask_later(
                        project, job, before, folder, with_firmware=asked.with_firmware
                    )
                    work.made.append(Made(project, package, (), numbered))
                    work.outputs.extend(files_of_it)
                    notes += said
                    continue
                built = build_release(project, job, before, folder, numbered)
                work.made.append(built.made)
                lines += [_slot_line(image, built.replaced.sizes) for image in built.result.images]
                work.outputs.extend(built.outputs)
                notes += built.notes
        outputs = [output for work in works for output in work.outputs]
        if asked.depfile is not None:
            inputs = [path for work in works for path in (*work.inputs, *work.base.inputs())]
            works[-1].outputs.append(Output(asked.depfile, [_dependencies(outputs, inputs)]))
        notes += _write(works, products, options, sign_later=asked.sign_later)
    if asked.sign_later:
        again = [word for setting in chosen.settings for word in ("--set", setting)]
        again += ["--channel", chosen.channel] if chosen.channel else []
        notes += [f"finish it with {shlex.join(again)}"] if again else []
    return outputs, lines, notes


def ask_later(
    project: Project, job: Job, before: Contents | None, folder: str, *, with_firmware: bool = False
) -> tuple[Package, list[Output], list[str]]:
    """Ask for the signatures that cannot be made here; return the package as it would be, the files, and notes."""
    from imgseal.offline.offline_signing import ask
    from imgseal.offline.outputs import request_outputs

    asking = ask(job, with_firmware=with_firmware)
    running_out = compare_numbers(asking.rehearsed, before, project)
    return asking.rehearsed.package, request_outputs(asking, job, folder), [*asking.notes, *running_out]


def _write(works: list[_Work], products: Products, options: SealOptions, *, sign_later: bool) -> list[str]:
    """Write one product after the other, each with its log entry; return notes. All has been judged before."""
    inputs = [path for work in works for path in work.inputs]
    refuse_overlap([output.path for work in works for output in work.outputs], [*products.own_files(), *inputs])
    notes = []
    for number, work in enumerate(works):
        try:
            plan = plan_reservation(work.made, work.jobs) if sign_later and work.logged else None
            made = [] if sign_later else work.made
            notes += write_release(work.outputs, work.inputs, work.base, made, options, plan)
        except ImgsealError as error:
            if number:
                done = ", ".join(each.base.product.name for each in works[:number])
                error.hint = f"{error.hint or 'build the others again'}; written before this: {done}"
            raise
    return notes


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

    Targets are the files whose names no version changes, where there are any: build descriptions can state them
    beforehand, and Ninja demands it.

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
