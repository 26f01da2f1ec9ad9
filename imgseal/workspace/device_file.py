"""Reads a device state file, and what it names: slot contents, and the trust anchors that the device has been given."""

import os
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, UsageError
from imgseal.limits import ARTEFACT_BYTES, STATE_FILE_BYTES, TRUST_BYTES
from imgseal.window import ByteView
from imgseal.workspace.files import read_bounded
from imgseal.workspace.project import Project, read_text

if TYPE_CHECKING:
    from imgseal.device_state.device import DeviceState
    from imgseal.formats.trust_anchors.codec import AnchorSet, AnchorUpdate
    from imgseal.keys.trusted_keys import Trust


def load_device(project: Project, device_file: str | None) -> tuple["DeviceState", dict[str, ByteView]]:
    """Read a device state file and the slot contents it names, or make a fresh device."""
    import hashlib

    from imgseal.device_state.device import fresh, read

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
    from imgseal.formats.trust_anchors.codec import AnchorFormatError, decode_held
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


def read_update(path: str) -> "AnchorUpdate":
    """Read a trust anchor update; InputError where it is none."""
    from imgseal.formats.trust_anchors.codec import AnchorFormatError, decode_update
    from imgseal.keys.anchor_set import refuse_off_curve

    try:
        update = decode_update(read_bounded(path, "trust anchor update", TRUST_BYTES))
        refuse_off_curve(update.anchors, update.signer)
    except AnchorFormatError as error:
        error.place = error.place._replace(file=path)
        raise
    return update
