"""`imgseal finish`: puts the signatures in that a signing request asked for."""

import os

import click

from imgseal.console.options import ChosenProduct, bill_option, product_options
from imgseal.console.say import say, say_written
from imgseal.errors import UsageError
from imgseal.flow.release import ReleaseResult
from imgseal.limits import REQUEST_BYTES, RESPONSE_BYTES
from imgseal.make.seal import SealedImage
from imgseal.offline.asked_numbers import refuse_other_numbers
from imgseal.offline.offline_signing import finish, options_of
from imgseal.offline.outputs import request_outputs
from imgseal.offline.request import decode_request, request_digest
from imgseal.offline.reserved_number import reserved_number
from imgseal.offline.response import decode_response
from imgseal.workspace.clock import today
from imgseal.workspace.files import read_bounded
from imgseal.workspace.firmware import load_bill, parse_firmware
from imgseal.workspace.numbering import Numbered
from imgseal.workspace.outputs import release_outputs
from imgseal.workspace.release_job import firmware_files, held_against, release_job, write_release
from imgseal.workspace.release_log import Made
from imgseal.workspace.verified_log import open_log


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
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to sign it yet.")
@product_options
def command(
    request: str,
    firmware: tuple[str, ...],
    responses: tuple[str, ...],
    out: str,
    sbom: str | None,
    unfinished: bool,
    chosen: ChosenProduct,
) -> None:
    """Make what was asked for once more, put the signatures in, judge it, and write it.

    The firmware files are those of the build; build time and source revision come from the request. A response to
    another request is refused, and so is a signature that does not hold for what is made now. Where the package's key
    is elsewhere too, the sealed images are written, and the request for their package: finish that one with them. Of
    the keys of a package as many responses are needed as trust.packages.need says; images name all of theirs.
    """
    project = chosen.load()
    data = read_bounded(request, "signing request", REQUEST_BYTES)
    asked = decode_request(data, request)
    digest = request_digest(data)
    answers = [
        decode_response(read_bounded(path, "signing response", RESPONSE_BYTES), path, asked, digest)
        for path in responses
    ]
    arguments = [parse_firmware(argument, project.product) for argument in firmware]
    with firmware_files(arguments, project.product) as files:
        sealed = [file.content for file in files if isinstance(file.content, SealedImage)]
        unsealed = [file.name for file in files if not isinstance(file.content, SealedImage)]
        if unsealed and not asked.items[0].is_statement:
            raise UsageError(
                "a package is finished with its sealed images",
                expected="sealed images",
                found=", ".join(unsealed),
                hint="name the .sealed.bin and .header.bin files that were written beside the request",
            )
        options = options_of(asked, sealed, request)
        job = release_job(project, files, options, day=today(), bill=load_bill(sbom), unfinished=unfinished)
        log = None if options.development else open_log(project)
        refuse_other_numbers(asked, project.product, stated=log is not None)  # before the log looks for such a release
        numbered = Numbered()
        if log is not None:
            project, job, numbered = held_against(project, log, *reserved_number(job, log, asked, request))
        done = finish(job, asked, answers)
        made, absent = [], []
        if isinstance(done, ReleaseResult):
            signed = {signer.public.key_id for signer in done.package_signers}
            absent = [signer.name for signer in job.package_signers if signer.public.key_id not in signed]
            first = done.images[0].statement
            options = options._replace(build_time=first.build_time, source_revision=first.source_revision)
            made.append(Made(project, done.package, done.package_signers, numbered))
            outputs = release_outputs(done, job._replace(package_signers=done.package_signers, options=options), out)
        else:
            outputs = request_outputs(done, job, out)
        there = {os.path.realpath(file.name) for file in files if file.name not in unsealed}
        there |= {name.replace(".header.", ".payload.") for name in there if ".header." in name}
        outputs = [output for output in outputs if os.path.realpath(output.path) not in there]  # byte for byte the same
        inputs = [request, *responses, *(a.path for a in arguments), sbom]
        left_out = [f"the package is not signed by {name}, whose holder has sent no response" for name in absent]
        notes = (*done.notes, *left_out, *write_release(outputs, inputs, project, made, options))
    say(notes)
    say_written(outputs)
