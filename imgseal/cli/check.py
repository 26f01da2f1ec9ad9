"""`imgseal check`: the verdict on artefacts, for people and for scripts."""

import os
import sys
from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.check.judge import kind_of
from imgseal.cli.project import Project, product_options, read_text
from imgseal.cli.signing import parse_day, today
from imgseal.errors import InputError, Place, UsageError
from imgseal.files import load_artefact, read_bounded
from imgseal.flow import judge
from imgseal.limits import ARTEFACT_BYTES, STATE_FILE_BYTES, TEXT_ARTEFACT_BYTES, TRUST_BYTES
from imgseal.memory.view import ByteView
from imgseal.records import NamedTuple
from imgseal.report.text import verdict_lines

if TYPE_CHECKING:
    from imgseal.anchors.codec import AnchorSet
    from imgseal.check.context import Bytes
    from imgseal.findings import Verdict
    from imgseal.keys.trust import Trust
    from imgseal.product.model import Product
    from imgseal.state.device import DeviceState

__all__ = ["Judge", "as_of_option", "command", "device_trust", "judge_of", "load_device", "open_artefact"]

as_of_option = click.option(
    "--as-of", "as_of", metavar="DAY", help="Keys have to be in force on this day, YYYY-MM-DD; default today."
)
"""The day of a verdict, for every command that gives one."""


@click.command(
    "check",
    epilog="""
\b
Examples:
  imgseal check out/vent-drive-2.4.1-17.suit       a package, for a fresh device
  imgseal check out/*.sealed.bin                   sealed images
  imgseal check package.suit --device state.json   for this device
  imgseal check header.bin --payload radio.bin     a detached header
  imgseal check dump.bin --slot motor-a            a slot read from a device
  imgseal check package.suit --as-of 2031-06-01    were the keys in force on that day?
  imgseal check 2.trust --device state.json        a trust anchor update
  imgseal check package.suit --json                for scripts

\b
Exit status 0 when every artefact is accepted, 1 when one is refused.
""",
)
@click.argument("artefacts", metavar="ARTEFACT...", nargs=-1, required=True)
@click.option("--device", "device_file", metavar="FILE", help="Judge for the device that this state file describes.")
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@click.option("--payload", metavar="FILE", help="The payload of a detached header.")
@click.option("--slot", metavar="NAME", help="The artefact is a dump of this whole slot.")
@as_of_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON (docs/format/verdict.schema.json).")
@click.option("--every", is_flag=True, help="List every check, not only those that failed.")
@product_options
def command(
    artefacts: tuple[str, ...],
    device_file: str | None,
    development: bool,
    payload: str | None,
    slot: str | None,
    as_of: str | None,
    as_json: bool,
    every: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> int:
    """Judge sealed images, detached headers, update packages and slot dumps as a bootloader would.

    Without --device the verdict is for a fresh device: nothing installed, counters at zero, or those of the release log
    where one is kept. The first line says so. With --development the log does not count. Devices have no clock to
    trust: the days of keys, from and until in [trust], are for this tool and its users.
    """
    if len(artefacts) > 1 and (payload or slot):
        raise UsageError(
            "--payload and --slot go with one artefact",
            found=f"{len(artefacts)} artefacts",
            hint="check the artefacts one by one",
        )
    project = Project.load(product_file, settings, variant)
    product = project.product
    if slot is not None and slot not in product.slots:
        raise UsageError(
            "the product file has no such slot",
            place=Place(file=project.path),
            expected=", ".join(product.slots),
            found=slot,
            hint="name a slot of the product file, or use another one: --product FILE",
        )
    judge_one = judge_of(project, device_file, development=development, as_of=as_of)
    verdicts = [
        judge_one(
            open_artefact(path, None if slot else product),
            path,
            slot=slot,
            payload=open_artefact(payload) if payload else None,
        )
        for path in artefacts
    ]
    if as_json:
        import json

        from imgseal.report.json_form import verdicts_document

        click.echo(json.dumps(verdicts_document(verdicts, __version__, project.path), indent=2, ensure_ascii=False))
    else:
        for number, verdict in enumerate(verdicts):
            lines = list(verdict_lines(verdict, project.path, every_check=every))
            sys.stdout.write(("\n" if number else "") + "\n".join(lines) + "\n")
    return 0 if all(verdict.accepted for verdict in verdicts) else 1


class Judge(NamedTuple):
    """Everything that a verdict depends on besides the artefact."""

    project: Project
    trust: "Trust"
    state: "DeviceState"
    contents: "dict[str, ByteView]"
    device: str
    day: str
    anchors: "AnchorSet | None"
    development: bool

    def __call__(
        self,
        data: "Bytes",
        name: str,
        *,
        slot: str | None = None,
        payload: ByteView | None = None,
        partial: bool = False,
    ) -> "Verdict":
        """Judge an artefact; `slot` says that it is a dump of it, `payload` belongs to a detached header.

        `partial`: other packages bring what this one leaves out.
        """
        if (slot is not None or payload is not None) and kind_of(data) not in (None, "sealed image"):
            raise UsageError(
                "--slot and --payload belong to sealed images",
                place=Place(file=name),
                found=kind_of(data),
                hint="leave them out: a package and a trust anchor update need neither",
            )
        return judge(
            data,
            name,
            self.project.product,
            self.trust,
            self.state,
            contents=self.contents,
            device=self.device,
            development=self.development,
            slot=slot,
            payload=payload,
            partial=partial,
            day=self.day,
            anchors=self.anchors,
        )


def judge_of(project: Project, device_file: str | None, *, development: bool, as_of: str | None) -> Judge:
    """Return the judge for the device of a state file, else for the last logged one, else for a fresh one."""
    state, contents = load_device(project, device_file)
    trust, anchors = device_trust(project, state, device_file, development=development)
    day = today() if as_of is None else parse_day(as_of)
    device = device_file or "a fresh device"
    if device_file is None and development:
        from imgseal.cli.fielded import for_the_desk

        state = state._replace(fielded=for_the_desk(project))
    elif device_file is None and project.product.ledger is not None:
        from imgseal.cli.release_log import logged_device

        state, device = logged_device(project) or (state, device)
    if any(key.first or key.last for key in trust.keys):
        device += f" on {day}"
    return Judge(project, trust, state, contents, device, day, anchors, development)


def open_artefact(path: str, product: "Product | None" = None) -> ByteView:
    """Read an artefact; one in hex text (as `seal --hex` writes) is turned into its bytes first.

    With the product, InputError for a sealed image in hex text that lies where no slot begins that may hold it.
    """
    data = load_artefact(path)
    head = bytes(data.read(0, 512))
    if head[:1] not in (b":", b"S"):
        return data
    import io

    from imgseal.source import INTEL_HEX, S_RECORD, detect, read

    try:
        kind = detect(head, path)
    except InputError:
        return data  # the judge says that it is neither sealed nor packed
    if kind not in (INTEL_HEX, S_RECORD):
        return data
    if data.size > TEXT_ARTEFACT_BYTES:
        raise InputError(
            "this artefact in hex text is larger than imgseal judges",
            place=Place(file=path),
            expected=f"at most {TEXT_ARTEFACT_BYTES} bytes of text",
            found=f"{data.size} bytes",
            hint="judge its binary form",
        )
    image = read(io.BytesIO(data.read(0, data.size)), name=path)
    if len(image.regions) != 1:
        raise InputError(
            "a sealed image in hex form is one region without gaps",
            place=Place(file=path),
            expected="1 region",
            found=f"{len(image.regions)} regions",
            hint="give the hex file that imgseal seal --hex wrote, or the binary form",
        )
    region = image.regions[0]
    data = ByteView(image.read(region.address, region.size))
    if product is not None and kind_of(data) == "sealed image":
        from imgseal.flow.addressed import refuse_elsewhere

        refuse_elsewhere(data, region.address, (product,), path)
    return data


def load_device(project: Project, device_file: str | None) -> tuple["DeviceState", dict[str, ByteView]]:
    """Read a device state file and the slot contents it names, or make a fresh device."""
    import hashlib

    from imgseal.state.device import fresh, read

    if device_file is None:
        return fresh(project.product), {}
    state = read(read_text(device_file, "device state file", STATE_FILE_BYTES), name=device_file)
    _refuse_misfits(state, project, device_file)
    contents = {}
    for name, content in state.slots.items():
        if name not in project.product.slots:
            raise UsageError(
                "the product file has no such slot",
                place=Place(file=device_file, key=f"slots.{name}"),
                expected=", ".join(project.product.slots),
                found=name,
                hint="name a slot of the product file, or use another one: --product FILE",
            )
        if content is None:
            continue
        path = os.path.join(os.path.dirname(device_file), content.file)
        data = ByteView(read_bounded(path, "slot content", ARTEFACT_BYTES))
        digest = hashlib.sha256(data.read(0, data.size)).hexdigest()
        if digest != content.sha256:
            raise InputError(
                "the slot content is not the one that the device state file names",
                place=Place(file=path),
                expected=content.sha256,
                found=digest,
                hint="read the slot again, or correct the digest in the device state file",
            )
        if data.size > project.product.slots[name].size:
            raise UsageError(
                "the slot content is larger than the slot",
                place=Place(file=path),
                expected=f"at most {project.product.slots[name].size} bytes (slot.{name})",
                found=f"{data.size} bytes",
                hint="read the slot again, or use the product file of this device: --product FILE",
            )
        contents[name] = data
    return state, contents


def device_trust(
    project: Project, state: "DeviceState", device_file: str | None, *, development: bool = False
) -> "tuple[Trust, AnchorSet | None]":
    """Return the trust anchors of a device: the product file's, unless it has been given a set of its own since."""
    import hashlib

    known = project.trust(development=development)
    if state.anchors is None or device_file is None:
        return known, None
    from imgseal.anchors.codec import AnchorFormatError, decode_held
    from imgseal.keys.anchor_set import refuse_off_curve, trust_of

    path = os.path.join(os.path.dirname(device_file), state.anchors.file)
    data = read_bounded(path, "trust anchor set", TRUST_BYTES)
    digest = hashlib.sha256(data).hexdigest()
    if digest != state.anchors.sha256:
        raise InputError(
            "the trust anchor set is not the one that the device state file names",
            place=Place(file=path),
            expected=state.anchors.sha256,
            found=digest,
            hint="get it again, or correct the digest in the device state file",
        )
    try:
        anchors = decode_held(data)
        refuse_off_curve(anchors)
    except AnchorFormatError as error:
        error.place = error.place._replace(file=path)
        raise
    if (anchors.vendor_id, anchors.class_id) != (project.product.vendor_id, project.product.class_id):
        raise UsageError(
            "the device's trust anchors are for another product",
            place=Place(file=path),
            expected=f"class {project.product.class_id.hex()}",
            found=f"class {anchors.class_id.hex()}",
            hint="use the product file of this device: --product FILE",
        )
    return trust_of(anchors, project.product, known), anchors


def _refuse_misfits(state: "DeviceState", project: Project, device_file: str) -> None:
    """UsageError when a state names components or run slots that the product does not have."""
    by_number = {component.number: component for component in project.product.components.values()}
    named = [("counters", number, 0) for number in state.counters]
    named += [("current", number, member.slot) for number, member in state.current.items()]
    named += [("before", number, member.slot) for number, member in state.before.items()]
    if state.trial is not None:
        named += [("trial.previous", number, member.slot) for number, member in state.trial.previous.items()]
        named += [("trial.kept", number, 0) for number in state.trial.kept]
    for key, number, slot in named:
        component = by_number.get(number)
        if component is None:
            raise UsageError(
                "the product file has no such component",
                place=Place(file=device_file, key=f"{key}.{number}"),
                expected=", ".join(f"{c.number} ({c.name})" for c in by_number.values()),
                found=str(number),
                hint="use the product file of this device: --product FILE",
            )
        if slot >= len(component.run):
            raise UsageError(
                f"{component.name} has one run slot",
                place=Place(file=device_file, key=f"{key}.{number}.slot"),
                expected="0",
                found=str(slot),
                hint="the index counts the run slots of the product file, from 0",
            )
