"""`imgseal deliver`: what travels to devices of which it is known what they run."""

import os
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from imgseal.console.options import ChosenProduct, product_options
from imgseal.console.say import say
from imgseal.errors import Place, UsageError

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.flow.deliver import Delivered, Device
    from imgseal.formats.log.entry import Entry
    from imgseal.workspace.project import Project
    from imgseal.workspace.verified_log import VerifiedLog

_LAST = re.compile(r"last ([1-9][0-9]?)")


@click.command(
    "deliver",
    epilog="""
\b
Examples:
  imgseal deliver out/vent-drive-2.5.0-18.suit --for unit.json
  imgseal deliver out/vent-drive-2.5.0-18.suit --from out/vent-drive-2.4.1-17.suit
  imgseal deliver out/vent-drive-2.5.0-18.suit --from "last 3" --archive out
  imgseal deliver out/vent-drive-2.5.0-18.suit --for unit.json --thin
""",
)
@click.argument("release", metavar="RELEASE")
@click.option("--for", "device_file", metavar="FILE", help="For the device of this state file.")
@click.option(
    "--from",
    "olds",
    multiple=True,
    metavar="OLD",
    help='For devices that run this package, from whichever slot; "last 3": the three before it in the release log.',
)
@click.option("--archive", metavar="DIR", help='Where "last N" finds packages; default the folder of RELEASE.')
@click.option("--thin", is_flag=True, help="Leave out what these devices hold or have no slot for, and make nothing.")
@click.option("--out", metavar="FILE", help="The delivery; default RELEASE.DIGEST.delivery.suit, or .thin.suit.")
@click.option("--development", is_flag=True, help="Admit development images and keys, and sign with one.")
@product_options
def command(
    release: str,
    device_file: str | None,
    olds: tuple[str, ...],
    archive: str | None,
    thin: bool,
    out: str | None,
    development: bool,
    chosen: ChosenProduct,
) -> None:
    """Make what travels of RELEASE to devices that run something already: patches, or compressed images.

    The release stays what it is: a delivery wraps it, is signed by a key for deliveries, and leaves no trace of its own
    on a device. It is judged for every device that it is for, before it is written. With --thin no delivery is made:
    it is the signed package without the payloads that these devices do not need.
    """
    from imgseal import __version__
    from imgseal.flow.deliver import delivery
    from imgseal.flow.deliver import thin as thinned
    from imgseal.formats.log.entry import DeliveryMade
    from imgseal.workspace.append_entry import write_with_entry
    from imgseal.workspace.clock import build_time
    from imgseal.workspace.files import refuse_overlap
    from imgseal.workspace.packages import load_package, package_contents
    from imgseal.workspace.staging import Output
    from imgseal.workspace.verified_log import open_log

    if (device_file is None) == (not olds):
        raise UsageError(
            "whom is this for?",
            expected="--for FILE, or --from OLD as often as there are releases in the field",
            found="neither" if device_file is None else "both",
            hint="imgseal device says more of state files; a package that is in the field goes behind --from",
        )
    _refuse_last(olds, archive)
    project = chosen.load()
    data = load_package(release)
    images = package_contents(release, project.product)
    log = None if development else open_log(project)
    source = None if log is None else _logged(log, images.manifest_digest, release)
    read = [release]
    devices = list(
        _the_device(project, device_file, read, development=development)
        if device_file is not None
        else _fielded(project, images.manifest_digest, release, olds, archive, read, development=development)
    )
    draft = None
    if thin:
        made = thinned(data, images, devices, project.product)
    else:
        signer = project.delivery_signer(development=development)
        made = delivery(data, images, devices, project.product, signer)
        if log is not None and source is not None and not log.has_delivery(made.manifest):
            keys, digest = (signer.public.key_id,), images.manifest_digest
            draft = DeliveryMade(0, build_time(), __version__, source.number, digest, made.manifest, made.bases, keys)
    path = out or _default_name(release, made)
    refuse_overlap([path], [*read, *project.own_files()])
    notes = write_with_entry(project, [Output(path, [made.data])], draft)
    say([*_sizes(made, data.size, images), *made.notes, *notes])
    click.echo(path)


def _default_name(release: str, made: "Delivered") -> str:
    """Name a file after the release and what it is: a release has as many deliveries as there are bases."""
    from hashlib import sha256

    kind, digest = ("delivery", made.manifest) if made.manifest else ("thin", sha256(made.data).digest())
    return f"{os.path.splitext(release)[0]}.{digest.hex()[:8]}.{kind}.suit"


def _refuse_last(olds: tuple[str, ...], archive: str | None) -> None:
    """UsageError for `last` without a number that counts, and for an archive in which nothing would be looked for."""
    for old in olds:
        if re.match(r"last( |$)", old) and not _LAST.fullmatch(old) and not os.path.exists(old):
            raise UsageError(
                "how many releases are meant?",
                place=Place(key="--from"),
                expected='"last N" with N from 1 to 99, or the file of a package',
                found=old,
                hint='for example: --from "last 3"',
            )
    if archive is not None and not any(map(_LAST.fullmatch, olds)):
        raise UsageError(
            "--archive is where the last releases of the log are looked for, and nothing asks for them",
            place=Place(key="--archive"),
            expected='--from "last N"',
            found=archive,
            hint="leave --archive out: what --for and --from name is read where it lies",
        )


def _logged(log: "VerifiedLog", digest: bytes, name: str) -> "Entry":
    """Return the release with this manifest; UsageError where the log does not have it, or has withdrawn it."""
    from imgseal.workspace.numbering import refuse_withdrawn

    source = log.of_manifest(digest)
    if source is None:
        raise UsageError(
            "the release log does not hold this package",
            place=Place(file=name),
            expected=f"a package that {log.path} has",
            found=f"manifest {digest.hex()}",
            hint="deliver a package that was released: imgseal log show lists them",
        )
    refuse_withdrawn(log, source, next(each for each in source.packages if each.manifest == digest))
    return source


def _sizes(made: "Delivered", whole: int, images: "Contents") -> Iterator[str]:
    """Say what travels, and how large the package is."""
    yield f"{len(made.data)} bytes in place of {whole}"
    for slot, step in made.steps:
        image = images.images.get(slot)
        of = "" if image is None else f" in place of {len(image.content)}"
        base = "" if step.base is None else f", from SHA-256 {step.base.digest.hex()[:16]}..."
        yield f"{slot}: {step.form}, {step.size} bytes{of}{base}"


def _the_device(project: "Project", path: str, read: list[str], *, development: bool) -> "Iterator[Device]":
    from imgseal.check.context import Context
    from imgseal.flow.deliver import Device
    from imgseal.workspace.device_file import device_trust, load_device

    state, contents = load_device(project, path)
    trust, anchors = device_trust(project, state, path, development=development)
    read.append(path)
    context = Context(project.product, trust, state, contents, development=development, anchors=anchors)
    yield Device(path, context)


def _fielded(
    project: "Project",
    manifest: bytes,
    release: str,
    olds: tuple[str, ...],
    archive: str | None,
    read: list[str],
    *,
    development: bool,
) -> "Iterator[Device]":
    from imgseal.check.context import Context
    from imgseal.flow.deliver import devices_after
    from imgseal.workspace.fielded import device_after
    from imgseal.workspace.packages import package_contents

    trust = project.trust(development=development)
    for old in olds:
        last = _LAST.fullmatch(old)
        paths = [old] if last is None else _last(project, manifest, release, int(last[1]), archive)
        for path in paths:
            contents = package_contents(path, project.product)
            state, _ = device_after(project, contents, development=development)
            read.append(path)
            context = Context(project.product, trust, state, {}, development=development)
            yield from devices_after(contents, project.product, context)


def _last(project: "Project", manifest: bytes, release: str, count: int, archive: str | None) -> list[str]:
    """Return the packages of so many releases before this one, as the log has them and the archive keeps them."""
    from imgseal.formats.log.entry import Entry
    from imgseal.workspace.archive import Archive
    from imgseal.workspace.verified_log import pinned_log, stated_log

    log = pinned_log(project, stated_log(project))
    before = log.of_manifest(manifest)
    number = log.tip.size if before is None else before.number
    folder = archive or os.path.dirname(release) or "."
    kept = Archive(folder)
    product = project.product
    found: list[str] = []
    while number and len(found) < count:
        number -= 1
        entry = log.entry(number)
        if not isinstance(entry, Entry) or entry.channel != (product.channel or ""):
            continue
        for package in entry.packages:
            if package.class_id != product.class_id or package.variant != (product.variant or ""):
                continue
            if package.manifest not in kept:
                raise UsageError(
                    f"the package of release {entry.version} is not in the archive",
                    place=Place(file=folder),
                    expected=f"a package with manifest {package.manifest.hex()}",
                    found="none",
                    hint="give the folder that has it: --archive DIR; or name packages: --from OLD.suit",
                )
            found.append(kept.path(package.manifest))
    if not found:
        raise UsageError(
            "the release log has no release before this one", place=Place(file=log.path), hint="--from OLD.suit"
        )
    return found
