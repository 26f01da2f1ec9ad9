"""`imgseal trust`: the trust anchors of devices in the field, replaced and revoked under the apex trust anchor."""

import hashlib
from collections.abc import Callable
from typing import Any

import click

from imgseal import __version__
from imgseal.check.judge import kind_of
from imgseal.check.trust_update import NO_ROOM, ROOM, fixed_by
from imgseal.console.options import ChosenProduct, product_options
from imgseal.console.say import say
from imgseal.errors import InputError, Place, SigningKeyError, UsageError, in_file
from imgseal.flow.contents import Image, read_contents
from imgseal.formats.log.entry import AnchorsMade
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.formats.trust_anchors.codec import DELIVERIES, IMAGES, PACKAGES, AnchorSet, number_words
from imgseal.keys.anchor_set import anchor_set, trust_of
from imgseal.keys.p256 import BadSignatureError, PublicKey
from imgseal.keys.public_key import AnyKey, verify
from imgseal.keys.signer import Signer
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.make.adopt import adopt
from imgseal.product.references import is_token_uri
from imgseal.records import NamedTuple
from imgseal.trust.update import Running, running_images, update_trust
from imgseal.workspace.append_entry import write_with_entry
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.clock import build_time
from imgseal.workspace.device_file import load_device, read_update
from imgseal.workspace.fielded import logged_floors
from imgseal.workspace.files import refuse_overlap
from imgseal.workspace.key_files import open_signer, public_key
from imgseal.workspace.layouts import fielded_project
from imgseal.workspace.packages import load_package
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output
from imgseal.workspace.trusted_before import sets_of
from imgseal.workspace.verified_log import VerifiedLog, open_log


@click.group(
    "trust",
    epilog="""
\b
Examples:
  imgseal trust replace --key apex.pem --running fleet.suit --out 1.trust
                                   devices trust what [trust] says now
  imgseal trust revoke keys/images.pub.pem --key apex.pem --previous 1.trust
          --running new.suit --out 2.trust
  imgseal trust show 2.trust
  imgseal check 2.trust --device device.json
""",
)
def command() -> None:
    """Tell devices which keys to trust from now on: small files, signed by the apex trust anchor."""


class _Asked(NamedTuple):
    """What the command line says of a set that is to be made; see the options."""

    chosen: ChosenProduct
    reference: str
    previous: str | None
    previous_by: str | None
    running: tuple[str, ...]
    nothing_runs: bool
    out: str


def _options(function: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--out", required=True, metavar="FILE", help="What is written, for devices and as --previous."),
        click.option("--nothing-runs", is_flag=True, help="No device is in the field yet."),
        click.option(
            "--running",
            multiple=True,
            metavar="FILE",
            help="What devices run: package, sealed image or device state; may repeat.",
        ),
        click.option(
            "--previous",
            metavar="FILE",
            help="The newest set, or the product file of the factory; default this product file's factory set.",
        ),
        click.option(
            "--previous-by",
            metavar="FILE",
            help="Public half of the contingency key that signed the previous set, where it was that one.",
        ),
        click.option(
            "--key", "reference", required=True, metavar="KEY", help="The apex trust anchor, or the contingency key."
        ),
    ):
        function = option(function)
    return product_options(function)


@command.command()
@_options
def replace(**asked: Any) -> None:
    """Make the set of what [trust] of the product file says now.

    Keys may come and go; revoked ones stay revoked. Signed with the contingency key it also brings a new apex trust
    anchor. Refused where a device would no longer start what it runs: ship images that are signed by the new keys
    first.
    """
    _make(_Asked(**asked))


@command.command()
@click.argument("revoked", metavar="KEY")
@_options
def revoke(revoked: str, **asked: Any) -> None:
    """Make the set of what [trust] says now without KEY, which no later set can bring back.

    KEY is a public key file or the 32 hex digits of a key identifier. Refused while a current or recovery image rests
    on it.
    """
    key_id = _key_id(revoked)
    project = _make(_Asked(**asked), key_id)
    for key in project.trust().keys:
        if key.key_id == key_id:
            say([f"take {key.source} out of [trust] in {project.path}: devices no longer count it"])


@command.command()
@click.argument("path", metavar="FILE")
@product_options
def show(path: str, chosen: ChosenProduct) -> None:
    """Show what a set says. Nothing is verified: use check for that."""
    project = chosen.load()
    anchors = read_update(path).anchors
    names = {key.key_id: key for key in trust_of(anchors, project.product, project.trust()).keys if not key.development}
    click.echo(f"trust anchor set {number_words(anchors.number)}; nothing is verified here")
    click.echo(f"  vendor    {anchors.vendor_id.hex()}")
    click.echo(f"  class     {anchors.class_id.hex()}")
    if anchors.apex != bytes(64):
        click.echo(f"  apex      {PublicKey(anchors.apex[:32], anchors.apex[32:]).thumbprint.hex()}")
    if anchors.contingency != bytes(32):
        click.echo(f"  contingency {anchors.contingency.hex()} (thumbprint; the key itself is not in here)")
    click.echo(f"  needed    {anchors.need_images} for images, {anchors.need_packages} for packages")
    for anchor in anchors.anchors:
        key = names[anchor.key_id]
        limits = f", for {', '.join(key.components)}" if key.components else ""
        click.echo(f"  {key.role:<9} {anchor.key_id.hex()} {key.source}{limits}")
    for key_id in anchors.revoked:
        click.echo(f"  revoked   {key_id.hex()}")


def _make(asked: _Asked, *revoke: bytes) -> Project:
    """Make the set and write it; returns the project that it is of."""
    project = asked.chosen.load()
    refuse_without_channel(project, "the devices that take the set are of")
    _refuse_fixed(project)
    running = asked.running
    if bool(running) == asked.nothing_runs:
        raise UsageError(
            "say what the devices run, so that none of them is locked out",
            expected="--running FILE, or --nothing-runs",
            found="both" if running else "neither",
            hint="with --running name the package of every release in the field, and the recovery image's"
            if not running
            else "leave --nothing-runs out",
        )
    trust = project.trust()
    key_file = None if is_token_uri(asked.reference) else asked.reference
    refuse_overlap([asked.out], [*project.own_files(), *running, asked.previous, asked.previous_by, key_file])
    devices = [device for path in running for device in _running(project, path)]
    previous = _previous(project, asked.previous, asked.previous_by)
    _refuse_forgotten(project, open_log(project), asked.previous)  # before a key is asked for
    signer = open_signer(asked.reference)
    anchors, data = update_trust(project.product, trust, previous, signer, devices, revoke=revoke)
    say(write_with_entry(project, [Output(asked.out, [data], replace=False)], _entry(project, signer, anchors, data)))
    if _delivers(anchors) and not (asked.previous and _delivers(previous)):  # unnamed, it is today's product file's
        say(["it has keys for deliveries: devices whose code is older than 0.3.0 refuse it"])
    keys, gone = len(anchors.anchors), len(anchors.revoked)
    click.echo(f"{asked.out}: set {number_words(anchors.number)}, {keys} keys, {gone} revoked")
    return project


def _delivers(anchors: AnchorSet) -> bool:
    return any(anchor.role == DELIVERIES for anchor in anchors.anchors)


def _refuse_fixed(project: Project) -> None:
    """UsageError where the devices in the field have no room for trust anchors: none of them could take a set."""
    fielded, layout = fielded_project(project, logged_floors(project))
    found = fixed_by(fielded.product)
    if found is not None:
        slot = project.product.slot_holding("anchors")
        raise UsageError(
            "devices of this product cannot take a trust anchor set: those of the factory are for ever",
            place=project.product.place("slot" if slot is None else f"slot.{slot.name}"),
            expected=ROOM,
            found=found if layout is None else f"{found} ({layout.words})",
            hint=NO_ROOM,
        )


def _refuse_forgotten(project: Project, log: VerifiedLog | None, previous: str | None) -> None:
    """UsageError for a set that begins with the factory's without saying so, where the log has one that was made since.

    Devices that have taken that one would refuse this one, whose number is not above it. Of a product with channels the
    log does not say for devices of which channel a set was: there it is a note.
    """
    made = [] if log is None or previous is not None else list(sets_of(log, project.product.class_id))
    if not made:
        return
    words = f"set {number_words(made[-1].generation)}, entry {made[-1].number} of {project.log_path}"
    hint = f"--previous with the file of {words}: devices that have it refuse this one otherwise"
    if project.product.channels:
        say([f"this set follows that of the factory; where its devices were sent a later one: {hint}"])
        return
    raise UsageError(
        "a trust anchor set was made before, and this one would not follow it",
        place=Place(key="--previous"),
        expected=words,
        found="nothing, which stands for the set of the factory",
        hint=f"{hint}. Where it was sent to nobody: --previous {project.path}",
    )


def _entry(project: Project, signer: Signer, anchors: AnchorSet, data: bytes) -> AnchorsMade | None:
    """Return what the release log keeps of a set; None where none is kept."""
    if project.log_path is None:
        return None
    product = project.product
    images, packages, deliveries = (
        tuple(sorted({each.key_id for each in anchors.anchors if each.role == role}))
        for role in (IMAGES, PACKAGES, DELIVERIES)
    )
    digest = hashlib.sha256(data).digest()
    return AnchorsMade(
        0, build_time(), __version__, product.class_id, product.variant or "", digest, anchors.number, images, packages,
        tuple(sorted(anchors.revoked)), signer.public.key_id, deliveries=deliveries,
    )  # fmt: skip


def _previous(project: Project, path: str | None, previous_by: str | None) -> AnchorSet:
    if path is not None and not path.endswith(".toml"):
        return _verified(project, path, previous_by)
    before = project if path is None else Project.load(path)
    return anchor_set(before.trust(), before.product)


def _verified(project: Project, path: str, previous_by: str | None) -> AnchorSet:
    """Read the previous set; InputError unless who signed it is known: numbers and revocations follow from it."""
    update = read_update(path)
    signer = PublicKey(update.signer[:32], update.signer[32:])
    apex = project.trust().apex
    known: list[AnyKey] = [apex] if apex is not None else []
    if previous_by is not None:
        known.append(public_key(previous_by))
    try:
        verify(signer, update.signed, update.signature)
    except (BadSignatureError, ValueError) as error:
        raise InputError(
            "the previous set is not as it was signed",
            place=Place(file=path),
            found=str(error),
            hint="get it again from where you keep your sets",
        ) from None
    if signer not in known:
        raise InputError(
            "the previous set is signed by a key that is not known here",
            place=Place(file=path),
            expected=" or ".join(key.thumbprint.hex() for key in known)
            or "the key of trust.apex, which the product file does not name",
            found=signer.thumbprint.hex(),
            hint="if the contingency key signed it, or an apex trust anchor before, name that: --previous-by FILE",
        )
    return update.anchors


def _running(project: Project, path: str) -> list[Running]:
    """Return the devices that a file stands for."""
    data = open_artefact(path)
    kind = kind_of(data)
    if kind == "update package":
        contents = read_contents(load_package(path).read(0, data.size), path, project.product)
        return running_images(contents.images.values(), path, project.product)
    if kind == "sealed image":
        with in_file(path, "copy the file again, or seal it again"):
            statement = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
        if statement.detached:
            raise UsageError(
                "a detached header alone does not say where it lies",
                place=Place(file=path),
                hint="name the package that brought it, or a device state",
            )
        placed = adopt(data, project.product, path).placed
        image = Image(placed.component.name, placed.slot.name, statement, data.read(0, data.size))
        return running_images([image], path, project.product)
    state, held = load_device(project, path)
    return [Running(f"the device of {path}", state, held)]


def _key_id(text: str) -> bytes:
    try:
        value = bytes.fromhex(text)
    except ValueError:
        value = b""
    if len(value) == 16:
        return value
    if is_token_uri(text):  # not quoted: there may be a PIN in it
        raise UsageError(
            "the key that is to be revoked is named by its public half",
            expected="a public key file, or a key identifier of 32 hex digits",
            found="a PKCS#11 URI",
            hint="write the public half with: imgseal key public URI --out FILE",
        )
    try:
        return public_key(text).key_id
    except InputError as error:
        raise SigningKeyError(
            "cannot read the key that is to be revoked",
            place=Place(file=text),
            expected="a public key file, or a key identifier of 32 hex digits",
            found=error.found,
            hint="check the name and the permissions; imgseal key show FILE shows a key's identifier",
        ) from None
