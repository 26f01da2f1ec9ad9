"""`imgseal promote`: signs the sealed images of a release once more, for the devices of another channel."""

import click

from imgseal.console.options import ChosenProduct, again_option, bill_option, product_options_of_package, reason
from imgseal.console.say import say, say_written
from imgseal.errors import Place, UsageError
from imgseal.flow.classes import classes_in
from imgseal.flow.contents import Image
from imgseal.flow.release import FirmwareFile
from imgseal.formats.log.entry import RECOVERY, Entry, LoggedPackage
from imgseal.formats.log.floors import raise_to
from imgseal.formats.sbom.bill import Bill
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.named_bill import bill_of
from imgseal.make.adopt import adopt
from imgseal.make.seal import SealedImage, SealOptions
from imgseal.product.model import Product, Release
from imgseal.records import NamedTuple
from imgseal.releasing.build_command import ask_later
from imgseal.versions import RELEASED
from imgseal.window import ByteView
from imgseal.workspace.clock import build_time
from imgseal.workspace.firmware import load_bill
from imgseal.workspace.last_numbers import last_numbers
from imgseal.workspace.line import Products
from imgseal.workspace.numbering import Said, refuse_withdrawn, statements
from imgseal.workspace.packages import load_package, package_contents
from imgseal.workspace.project import Project
from imgseal.workspace.release_job import build_release, number_job, release_job, with_a_free_number, write_release
from imgseal.workspace.release_log import Made, plan_reservation
from imgseal.workspace.staging import Output
from imgseal.workspace.verified_log import VerifiedLog, pinned_log, stated_log

_LAST = 0xFFFF_FFFF


@click.command(
    "promote",
    epilog="""
\b
Examples:
  imgseal promote out/vent-drive-2.5.0-21.suit --to production
  imgseal promote out/vent-drive-2.5.0-rc.1-20.suit --to production --keep-version
  imgseal promote out/vent-drive-2.5.0-21.suit --to production --sign-later
""",
)
@click.argument("package", metavar="PACKAGE")
@click.option("--to", required=True, metavar="CHANNEL", help="The channel whose devices are to take it.")
@click.option("--keep-version", is_flag=True, help="Promote an alpha, beta or rc under the version that it has.")
@click.option("--out", default="out", show_default=True, metavar="DIR", help="Folder for what is written.")
@again_option
@bill_option
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to sign it yet.")
@click.option("--sign-later", is_flag=True, help="Write a signing request for the keys that are held elsewhere.")
@product_options_of_package
def command(
    package: str,
    to: str,
    keep_version: bool,
    out: str,
    again: str | None,
    sbom: str | None,
    unfinished: bool,
    sign_later: bool,
    chosen: ChosenProduct,
) -> None:
    """Sign the sealed images of a released package for another channel, byte for byte as they are.

    PACKAGE has to be in the release log, and not withdrawn. The new package has its version and revision, and the next
    number of the series that all channels share; the log keeps which release it was. The same package, promoted to the
    same channel again, gives the same bytes and no new entry. Devices that run these images already write no slot.
    """
    said = Said(reason(again, "--again"))
    data = load_package(package)
    products = chosen.every()
    given = load_bill(sbom)

    def attempt() -> tuple[list[Output], list[str]]:
        promoted = _promoted(data, package, products, to, keep_version=keep_version)
        project, source = promoted.project, promoted.source
        bill = _bill(given, data, package, project)
        files = [FirmwareFile(image.placed.component.name, package, image) for image in promoted.images]
        options = SealOptions(build_time(), development=False, source_revision=source.revision)
        job = release_job(project, files, options, bill=bill, unfinished=unfinished)
        if statements(job) != promoted.logged.images:
            raise _refused(
                package,
                "this package holds other images than the release log says",
                f"the images of entry {source.number} of {promoted.log.path}",
                None,
                "copy the package again from where it was released",
            )
        project, job, numbers = number_job(project, job, promoted.log, said)
        inputs = [package, sbom]
        if sign_later:
            asked, outputs, notes = ask_later(project, job, None, out)
            plan = plan_reservation([Made(project, asked, (), numbers)], [job])
            notes += write_release(outputs, inputs, project, [], options, plan)
            return outputs, [*notes, f"finish it with --channel {to} --set release.version={source.version}"]
        built = build_release(project, job, None, out, numbers)
        notes = write_release(built.outputs, inputs, project, [built.made], options)
        return built.outputs, [*built.notes, *notes]

    outputs, notes = with_a_free_number(attempt)
    say(notes)
    say_written(outputs)


class _Promoted(NamedTuple):
    """What is promoted: the product as it is for the other channel, the log, the release there, and its images."""

    project: Project
    log: VerifiedLog
    source: Entry
    logged: LoggedPackage
    images: list[SealedImage]


def _promoted(data: ByteView, name: str, products: Products, channel: str, *, keep_version: bool) -> _Promoted:
    """Find the release that a package is, and the product it is for; UsageError where it cannot be promoted."""
    classes, digest = classes_in(data), decode_envelope(data.read(0, data.size)).digest.value
    fitting = [each for each in products.projects if each.product.class_id in classes]
    if not fitting:
        products.one()
    first = (fitting or products.projects)[0].in_channel(channel)
    log = pinned_log(first, stated_log(first))
    source = log.of_manifest(digest)
    if source is None:
        raise _refused(
            name,
            "the release log does not hold this package",
            f"a package that {log.path} has",
            f"manifest {digest.hex()}",
            "promote a package that was released: imgseal log show lists them",
        )
    logged = next(each for each in source.packages if each.manifest == digest)
    refuse_withdrawn(log, source, logged)
    if source.channel == channel:
        raise _refused(name, f"this release is of channel {channel} already", "a release of another channel",
                       f"entry {source.number} of {log.path}", "its devices take this package as it is")  # fmt: skip
    if source.version.stage != RELEASED and not keep_version:
        raise _refused(
            name,
            "this is a pre-release, and what is sealed in it stays one",
            "a version without alpha, beta or rc",
            str(source.version),
            "build the release from the same sources, and promote that; --keep-version ships it as it is called",
        )
    variant = logged.variant.removesuffix(RECOVERY)
    project = next((each for each in fitting if (each.product.variant or "") == variant), first).in_channel(channel)
    last = last_numbers(log.path)[project.product.class_id].sequence
    if last >= _LAST:
        raise UsageError("there is no next sequence", place=Place(file=log.path), hint=raise_to(last))
    release = Release(source.version, last + 1, next=True)
    project = project._replace(product=project.product._replace(release=release))
    images = [
        _sealed(image, project.product, name) for image in package_contents(name, project.product).images.values()
    ]
    return _Promoted(project, log, source, logged, images)


def _sealed(image: Image, product: Product, name: str) -> SealedImage:
    if image.header is None:
        return adopt(ByteView(image.content), product, name)
    return adopt(ByteView(image.header), product, name, ByteView(image.content))


def _bill(given: Bill | None, data: ByteView, name: str, project: Project) -> Bill | None:
    """Return the bill of materials that the package names, as it was given once more; UsageError for another one."""
    named = bill_of(decode_envelope(data.read(0, data.size)))
    needed = project.product.rules.sbom == "required"
    if (given is None and not needed) or (given is not None and named is not None and given.digest == named.digest):
        return given or named
    raise UsageError(
        "a promotion names the bill of materials that its release has",
        place=Place(file=name, key="--sbom"),
        expected="none" if named is None else f"the bill of SHA-256 {named.digest.hex()}",
        found="none" if given is None else f"SHA-256 {given.digest.hex()}",
        hint="leave --sbom out" if named is None else "name that file: --sbom FILE",
    )


def _refused(name: str, message: str, expected: str, found: str | None, hint: str) -> UsageError:
    return UsageError(message, place=Place(file=name), expected=expected, found=found, hint=hint)
