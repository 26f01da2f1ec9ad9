"""`imgseal sign`: a signature by somebody who has seen what it is for."""

import os

import click

from imgseal import __version__
from imgseal.check.context import Context
from imgseal.check.judge import kind_of
from imgseal.console.options import ChosenProduct, product_options
from imgseal.console.say import say
from imgseal.device_state.device import fresh
from imgseal.errors import ImgsealError, Place, SigningKeyError, UsageError
from imgseal.findings import Verdict
from imgseal.flow.as_released import wraps_release
from imgseal.flow.release import sign_package
from imgseal.formats.log.entry import AddedSignature
from imgseal.keys.public_key import KINDS
from imgseal.keys.published import refuse_published
from imgseal.keys.signer import sign_and_verify
from imgseal.limits import REQUEST_BYTES
from imgseal.product.references import is_token_uri
from imgseal.window import ByteView
from imgseal.workspace.append_entry import write_with_entry
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.clock import build_time, today
from imgseal.workspace.fielded import fielded_now
from imgseal.workspace.files import refuse_overlap, write_all
from imgseal.workspace.key_files import open_signer
from imgseal.workspace.product_files import nearest_product
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output
from imgseal.workspace.verified_log import open_log


@click.command(
    "sign",
    epilog="""
\b
Examples:
  imgseal sign vent-drive-2.4.1-17-images.request.json --key images.pem
                                                  in the room where the key is
  imgseal sign out/vent-drive-2.4.1-17-unfinished.suit --key second.pem --out ship.suit
                                                  one signature more
""",
)
@click.argument("what", metavar="REQUEST|PACKAGE")
@click.option("--key", "reference", required=True, metavar="KEY", help="The key that signs.")
@click.option("--out", metavar="FILE", help="What is written; default for a request: X.response.json beside it.")
@click.option("--yes", is_flag=True, help="Sign without being asked.")
@product_options
def command(what: str, reference: str, out: str | None, yes: bool, chosen: ChosenProduct) -> None:
    """Sign a signing request, or add a signature to an update package.

    What will be signed is shown first, and somebody has to agree. A request needs no product file: what it says is
    derived from the very bytes that are signed. Where there is one, a request for a package is held to its components
    and its rules.verifier. A package is judged before and after, but for the number of
    signatures, and no byte of it changes except that it has one more.
    """
    data = open_artefact(what)
    kind = kind_of(data)
    if kind == "update package" and wraps_release(data):
        kind = "delivery"
    if kind == "update package":
        _sign_package(chosen.load(), data, what, reference, out, yes=yes)
        return
    if kind is not None:
        message, hint = _NOT_SIGNED[kind]
        raise UsageError(message, place=Place(file=what), hint=hint)
    _sign_request(data, what, reference, out, chosen, yes=yes)


_NOT_SIGNED = {
    "delivery": ("a delivery has one signer", "make it again: imgseal deliver; the release inside is signed by itself"),
    "trust anchor update": ("a trust anchor update has one signer", "imgseal trust replace makes and signs it"),
    "sealed image": (
        "a sealed image names its signers in what is signed: none can be added",
        "seal it again with all of its keys in [signing]",
    ),
}
"""Kinds that nobody can sign afterwards: why, and what to do."""


def _sign_request(
    view: ByteView, path: str, reference: str, out: str | None, chosen: ChosenProduct, *, yes: bool
) -> None:
    from imgseal.offline.request import NUMBERS, Asked, decode_request, hold_to_profile, request_digest
    from imgseal.offline.response import Response, Signed, encode_response
    from imgseal.offline.text_form import escaped

    if view.size > REQUEST_BYTES:
        raise UsageError(
            "this signing request is larger than imgseal reads",
            place=Place(file=path),
            expected=f"at most {REQUEST_BYTES} bytes",
            found=f"{view.size} bytes",
            hint="make it without --with-firmware",
        )
    data = bytes(view.read(0, view.size))
    request = decode_request(data, path)
    classes = frozenset(each for item in request.items for each in item.classes)
    try:
        project = _own(chosen, classes)
    except ImgsealError:
        if not request.items[0].is_statement:
            raise
        project = None  # a statement is held to no product file
    if project is not None and not request.items[0].is_statement:
        hold_to_profile(request, path, project.product)
    target = out or path.removesuffix(".json").removesuffix(".request") + ".response.json"
    refuse_overlap([target], [path, _file_of(reference)])
    signer = open_signer(reference)
    refuse_published(signer.public, signer.name)
    mine: list[tuple[int, Asked]] = [
        (number, asked)
        for number, item in enumerate(request.items)
        for asked in item.keys
        if asked.key_id == signer.public.key_id and KINDS[NUMBERS[asked.algorithm]] == signer.public.kind
    ]
    if not mine:
        wanted = dict.fromkeys(f"{a.key_id.hex()} ({a.algorithm})" for item in request.items for a in item.keys)
        raise SigningKeyError(
            "the request does not ask for this key",
            place=Place(file=reference),
            expected=" or ".join(wanted),
            found=signer.public.key_id.hex(),
            hint="give the request to the holder of that key; imgseal key show FILE shows a key's identifier",
        )
    lines = [f"request {request_digest(data).hex()}", f'called "{escaped(request.about)}" by its maker']
    if project is not None:
        lines.append(escaped(_whose(classes, project)))
    for number in dict.fromkeys(number for number, _ in mine):
        item = request.items[number]
        lines += ["", *(f"  {escaped(line)}" for line in item.screen())]
        if item.payload is not None:
            lines.append("    its firmware is in the request, and is the one that the digest names")
        lines.append(f"  to sign, SHA-256 {item.digest.hex()}")
    click.echo("\n".join([*lines, ""]), err=True)
    _consent(f"Sign {'these ' + str(len(mine)) if len(mine) > 1 else 'this'} with {signer.name}?", yes=yes)
    signatures = []
    for number, asked in mine:
        item = request.items[number]
        value = sign_and_verify(signer, item.message(asked.algorithm))
        signatures.append(Signed(item.digest, asked, value))
    response = encode_response(Response(request_digest(data), tuple(signatures)))
    write_all([Output(target, [response], replace=False)])  # another holder's may lie there
    click.echo(target)


def _own(chosen: ChosenProduct, classes: frozenset[bytes]) -> Project | None:
    """Return the product at hand of these classes, or the one that is here; None where there is none."""
    if chosen.file is None and nearest_product(".") is None:
        return None
    products = chosen.every()
    fitting = [each for each in products.projects if each.product.class_id in classes]
    if fitting or products.is_line:
        return fitting[0] if fitting else None
    return products.projects[0]


def _whose(classes: frozenset[bytes], project: Project) -> str:
    """Say in words for whose devices a request is, with identifiers that are computed from the product file at hand."""
    product = project.product
    if classes == {product.class_id}:
        return (
            f"for devices of {product.vendor}, class {product.class_name}: the identifiers are those of {project.words}"
        )
    found = ", ".join(each.hex() for each in sorted(classes)) or "none"
    return f"NOT for devices of {project.words} ({product.vendor}, class {product.class_name}): it has class {found}"


def _sign_package(project: Project, data: ByteView, name: str, reference: str, out: str | None, *, yes: bool) -> None:
    signer = open_signer(reference)

    if out is None:
        raise UsageError("a package with another signature is a new file", hint="name it: --out FILE")
    refuse_overlap([out], [name, _file_of(reference), *project.own_files()])

    log = open_log(project)
    entry = None if log is None else log.of_manifest(_manifest_of(data))
    if entry is not None and entry.channel and project.product.channel is None:
        project = project.in_channel(entry.channel)
    refuse_without_channel(project, "this package is of")
    signed = [key for each in (entry.packages if entry is not None else ()) for key in each.keys]
    project.refuse_for_others((*signed, signer.public.key_id), "channel")

    def agree(verdict: Verdict) -> None:
        for label, text in verdict.details:
            click.echo(f"  {label:<10}{text}", err=True)
        if log is not None and entry is None:
            raise UsageError(
                "the release log does not hold this package, and would not say that you have signed it",
                place=Place(file=name),
                expected=f"a package that {log.path} has",
                hint="was it made here? imgseal show shows it, imgseal log show lists what was released",
            )
        _consent(f"Sign this package with {signer.name}?", yes=yes)

    state = fresh(project.product)._replace(fielded=fielded_now(project, None, development=False))
    context = Context(project.product, project.trust(), state, partial=True, day=today())
    made, verdict = sign_package(data, name, context, signer, agree)
    draft = None
    if entry is not None:
        keys = (signer.public.key_id,)
        draft = AddedSignature(0, build_time(), __version__, entry.number, _manifest_of(data), keys)
    say(write_with_entry(project, [Output(out, [made.read(0, made.size)])], draft))
    if not verdict.accepted:
        finding = verdict.findings[0]
        click.echo(f"imgseal: not finished: {finding.message}: {finding.expected}; found: {finding.found}", err=True)
    click.echo(out)


def _manifest_of(data: ByteView) -> bytes:
    from imgseal.formats.suit.envelope import decode_envelope

    return decode_envelope(data.read(0, data.size)).digest.value


def _consent(question: str, *, yes: bool) -> None:
    """Ask a person; UsageError where there is none, or where the answer is no."""
    if yes:
        return
    if not os.isatty(0):
        raise UsageError(
            "there is nobody to ask whether this should be signed",
            hint="run imgseal in a terminal, or say --yes when it has been looked at",
        )
    if not click.confirm(question, err=True):
        raise UsageError("nothing was signed: the answer was no", hint="answer y when it is what should be signed")


def _file_of(reference: str) -> str | None:
    """Return the key's file, which no output may replace; a token has none."""
    return None if is_token_uri(reference) else reference
