"""`imgseal finish`: puts the signatures in that a signing request asked for."""

import os
from contextlib import ExitStack

import click

from imgseal.cli.bill import bill_option, load_bill
from imgseal.cli.build import release_outputs, request_outputs
from imgseal.cli.fielded import fielded_now
from imgseal.cli.firmware import load_image_or_sealed, parse_firmware
from imgseal.cli.project import Project, product_options
from imgseal.cli.release_log import plan_entry, refuse_development_keys, write_logged
from imgseal.cli.signing import today
from imgseal.errors import UsageError, visible
from imgseal.files import read_bounded, refuse_overlap
from imgseal.flow import FirmwareFile
from imgseal.limits import REQUEST_BYTES, RESPONSE_BYTES

__all__ = ["command"]


@click.command(
    "finish",
    epilog="""
\b
Examples:
  imgseal finish out/vent-drive-2.4.1-17-images.request.json motor=app.hex \\
      --response vent-drive-2.4.1-17-images.response.json
  imgseal finish out/vent-drive-2.4.1-17-package.request.json motor=out/motor-a.sealed.bin \\
      --response vent-drive-2.4.1-17-package.response.json
""",
)
@click.argument("request", metavar="REQUEST")
@click.argument("firmware", metavar="NAME=FILE[@ADDRESS]...", nargs=-1, required=True)
@click.option("--response", "responses", multiple=True, required=True, metavar="FILE", help="Signatures; may repeat.")
@click.option("--out", default="out", show_default=True, metavar="DIR", help="Folder for what is written.")
@bill_option
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to endorse it yet.")
@product_options
def command(
    request: str,
    firmware: tuple[str, ...],
    responses: tuple[str, ...],
    out: str,
    sbom: str | None,
    unfinished: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Make what was asked for once more, put the signatures in, judge it, and write it.

    The firmware files are those of the build; build time and source revision come from the request. A response to
    another request is refused, and so is a signature that does not hold for what is made now. Where the package's key
    is elsewhere too, the sealed images are written, and the request for their package: finish that one with them.
    """
    from imgseal.flow.later import Job, finish, options_of
    from imgseal.make.seal import SealedImage
    from imgseal.request.request import decode_request, request_digest
    from imgseal.request.response import decode_response

    project = Project.load(product_file, settings, variant)
    data = read_bounded(request, "signing request", REQUEST_BYTES)
    asked = decode_request(data, request)
    digest = request_digest(data)
    answers = [
        decode_response(read_bounded(path, "signing response", RESPONSE_BYTES), path, asked, digest)
        for path in responses
    ]
    arguments = [parse_firmware(argument, project.product) for argument in firmware]
    with ExitStack() as stack:
        files = [
            FirmwareFile(
                a.component, a.path, stack.enter_context(load_image_or_sealed(a.path, a.base, project.product))
            )
            for a in arguments
        ]
        sealed = [file.content for file in files if isinstance(file.content, SealedImage)]
        if not asked.items[0].is_statement and len(sealed) != len(files):
            raise UsageError(
                "a package is finished with its sealed images",
                expected="sealed images",
                found=", ".join(file.name for file in files if not isinstance(file.content, SealedImage)),
                hint="name the .sealed.bin and .header.bin files that were written beside the request",
            )
        options = options_of(asked, sealed, request)
        development = options.development
        job = Job(
            files,
            project.product,
            options,
            project.signers("images", development=development),
            project.signers("packages", development=development),
            project.trust(development=development),
            today(),
            unfinished,
            load_bill(sbom),
            fielded_now(project, None, development=development, begins_log=True),
        )
        if not development and project.product.ledger is not None:
            refuse_development_keys(project, (*job.image_signers, *job.package_signers))
        done = finish(job, asked, answers)
        plan = None
        if done.release is not None:
            notes = done.release.notes
            if not development:
                first = done.release.images[0].statement
                made = [(project, done.release.package, job.package_signers)]
                plan = plan_entry(made, first.build_time, first.source_revision)
            outputs = release_outputs(
                done.release, project.product, out, development=development, unfinished=unfinished
            )
        else:
            assert done.next is not None
            notes = done.next.notes
            outputs = request_outputs(done.next, project.product, out, development=development)
        there = {os.path.realpath(file.name) for file in files if isinstance(file.content, SealedImage)}
        there |= {name.replace(".header.", ".payload.") for name in there if ".header." in name}
        outputs = [output for output in outputs if os.path.realpath(output.path) not in there]  # byte for byte the same
        refuse_overlap(
            [output.path for output in outputs],
            [
                *project.own_files(),
                request,
                *responses,
                *(a.path for a in arguments),
                *([sbom] if sbom is not None else []),
            ],
        )
        notes = (*notes, *write_logged(outputs, plan))
    for note in dict.fromkeys(notes):
        click.echo(f"imgseal: {visible(note)}", err=True)
    for output in outputs:
        if output.path.endswith((".suit", ".request.json")):
            click.echo(output.path)
