"""Reads a device state file, and what it names: slot contents, and the trust anchors that the device has been given."""

import os
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, UsageError, in_file
from imgseal.limits import ARTEFACT_BYTES, STATE_FILE_BYTES, TRUST_BYTES
from imgseal.window import ByteView
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.files import read_bounded
from imgseal.workspace.product_files import read_text
from imgseal.workspace.project import Project

if TYPE_CHECKING:
    from imgseal.device_state.device import DeviceState, SlotContent
    from imgseal.formats.trust_anchors.codec import AnchorSet, AnchorUpdate
    from imgseal.keys.trusted_keys import Trust
    from imgseal.versions import Version


def load_device(project: Project, device_file: str | None) -> tuple["DeviceState", dict[str, ByteView]]:
    """Read a device state file and the slot contents it names, or make a fresh device."""
    from imgseal.device_state.device import fresh, read

    if device_file is None:
        return fresh(project.product), {}
    state = read(read_text(device_file, "device state file", STATE_FILE_BYTES), name=device_file)
    _refuse_misfits(state, project, device_file)
    contents = {}
    for name, content in state.slots.items():
        slot = project.slot(name, Place(file=device_file, key=f"slots.{name}"))
        if content is None:
            continue
        path, read_out = _named_content(device_file, content, "slot content", ARTEFACT_BYTES, "read the slot again")
        if len(read_out) > slot.size:
            raise UsageError(
                "the slot content is larger than the slot",
                place=Place(file=path),
                expected=f"at most {slot.size} bytes (slot.{name})",
                found=f"{len(read_out)} bytes",
                hint="read the slot again, or use the product file of this device: --product FILE",
            )
        contents[name] = ByteView(read_out)
    return state, contents


def bootloader_of(device_file: str) -> "Version | None":
    """Return the bootloader of a device state file, before it is held against a product; None where it states none."""
    from imgseal.device_state.device import read

    return read(read_text(device_file, "device state file", STATE_FILE_BYTES), name=device_file).bootloader


def device_trust(
    project: Project, state: "DeviceState", device_file: str | None, *, development: bool = False
) -> "tuple[Trust, AnchorSet | None]":
    """Return the trust anchors of a device: the product file's, unless it has been given a set of its own since."""
    if device_file is not None and state.anchors is None and not development:
        refuse_without_channel(project, "this device is of")
    known = project.trust(development=development)
    if state.anchors is None or device_file is None:
        return known, None
    from imgseal.formats.trust_anchors.codec import decode_held
    from imgseal.keys.anchor_set import refuse_off_curve, trust_of

    path, data = _named_content(device_file, state.anchors, "trust anchor set", TRUST_BYTES, "get it again")
    with in_file(path):
        anchors = decode_held(data)
        refuse_off_curve(anchors)
    if (anchors.vendor_id, anchors.class_id) != (project.product.vendor_id, project.product.class_id):
        raise UsageError(
            "the device's trust anchors are for another product",
            place=Place(file=path),
            expected=f"class {project.product.class_id.hex()}",
            found=f"class {anchors.class_id.hex()}",
            hint="use the product file of this device: --product FILE",
        )
    return trust_of(anchors, project.product, known), anchors


def _named_content(device_file: str, content: "SlotContent", what: str, limit: int, again: str) -> tuple[str, bytes]:
    """Return path and bytes of a file that a device state file names; InputError where its digest is another one."""
    from hashlib import sha256

    path = os.path.join(os.path.dirname(device_file), content.file)
    data = read_bounded(path, what, limit)
    if (digest := sha256(data).hexdigest()) != content.sha256:
        raise InputError(
            f"the {what} is not the one that the device state file names",
            place=Place(file=path),
            expected=content.sha256,
            found=digest,
            hint=f"{again}, or correct the digest in the device state file",
        )
    return path, data


def _refuse_misfits(state: "DeviceState", project: Project, device_file: str) -> None:
    """UsageError when a state names components or run slots that the product does not have."""
    product = project.product
    named = [("counters", number, 0) for number in state.counters]
    named += [("current", number, member.slot) for number, member in state.current.items()]
    named += [("before", number, member.slot) for number, member in state.before.items()]
    if state.trial is not None:
        named += [("trial.previous", number, member.slot) for number, member in state.trial.previous.items()]
        named += [("trial.kept", number, 0) for number in state.trial.kept]
    for key, number, slot in named:
        component = product.component(number)
        if component is None:
            raise UsageError(
                "the product file has no such component",
                place=Place(file=device_file, key=f"{key}.{number}"),
                expected=", ".join(f"{c.number} ({c.name})" for c in product.components.values()),
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


def read_update(path: str) -> "AnchorUpdate":
    """Read a trust anchor update; InputError where it is none."""
    from imgseal.formats.trust_anchors.codec import decode_update
    from imgseal.keys.anchor_set import refuse_off_curve

    with in_file(path):
        update = decode_update(read_bounded(path, "trust anchor update", TRUST_BYTES))
        refuse_off_curve(update.anchors, update.signer)
    return update
