"""What `imgseal factory` makes, before it is written: the merged image, and the state of a programmed device."""

import hashlib
from collections.abc import Mapping, Sequence

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, SlotContent, fresh
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.factory.merge import Part, merge
from imgseal.flow.as_released import Released
from imgseal.flow.classes import is_of_recovery
from imgseal.flow.contents import Contents, Image, read_contents
from imgseal.formats.install_record.record import Member, first_record, place_content
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.trust_anchors.codec import flash_block
from imgseal.keys.anchor_set import anchor_set
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.stage import why_not
from imgseal.window import ByteView
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.fielded import first_devices
from imgseal.workspace.firmware import load_image
from imgseal.workspace.judging import Judge, as_released, judge_of
from imgseal.workspace.packages import load_package, refuse_verdict, refuse_without_records
from imgseal.workspace.project import Project
from imgseal.workspace.released import released_of
from imgseal.workspace.session import note


class Prepared(NamedTuple):
    """The factory image, the release in it, the state of a device that has it, and what the device's slots hold.

    `judged_for` says in words which device the packages were judged for; `left_out` names a missing recovery image.
    """

    parts: list[Part]
    release: Contents
    state: DeviceState
    held: Mapping[str, bytes]
    judged_for: str
    left_out: list[str]


def prepare(
    project: Project,
    packages: Sequence[str],
    *,
    hardware: int | None = None,
    device_file: str | None = None,
    as_of: str | None = None,
    without_recovery: bool = False,
    development: bool = False,
    compared: bool = False,
) -> Prepared:
    """Judge the packages, the release first, and merge them with what the product file names.

    `compared`: no device is made, one that was programmed before is looked at.
    """
    product = project.product
    refuse_without_records(project)
    judge_one = _line_judge(project, device_file, development=development, as_of=as_of)
    if compared and device_file is None:  # what was programmed then may have been followed or withdrawn since
        judge_one = judge_one.with_state(sequence=0, manifest_digest=None, counters={}, withdrawn=())
    released = None if development else released_of(project)
    release, images = _judged(packages, product, judge_one, released, development=development)
    left_out = _left_out(project, images, without_recovery=without_recovery)
    brought = _image_parts(product, images, packages[0])
    held = {part.slot: part.data for part in brought if part.slot is not None}
    state = _device(product, images, release, hardware, held)
    block = _anchor_block(project, development=development)
    ordered = merge(brought + _own_parts(project, state, block) + _configured_parts(project), product)
    _refuse_unless_starts(project, state, held, development=development)
    slot = product.slot_holding("anchors")
    if slot is not None and not development:
        held[slot.name] = block
        state = state._replace(anchors=_content(slot.name, block))
    return Prepared(ordered, release, state, held, judge_one.device, left_out)


PLAIN = "a fresh device"


def _judged(
    packages: Sequence[str], product: Product, judge_one: Judge, released: Released | None, *, development: bool
) -> tuple[Contents, dict[str, Image]]:
    """Judge the packages, and return the release, which is the first one, and the images of all by component."""
    images: dict[str, Image] = {}
    release, recovery_first = None, False
    for path in packages:
        data = load_package(path)
        # what completes the release is no later one, and recovery images have numbers of their own
        recovery = is_of_recovery(data, product)
        recovery_first = recovery_first or (release is None and recovery)
        if release is not None or recovery:
            judge_one = judge_one.with_state(sequence=0, manifest_digest=None)
        verdict = judge_one(data, path, partial=len(packages) > 1)
        refuse_verdict(verdict if development else as_released(verdict, data, product, released), path)
        contents = read_contents(data.read(0, data.size), path, product)
        release = release or contents
        if not recovery and (recovery_first or contents.sequence > release.sequence):
            raise UsageError(
                "the first package is not the release",
                place=Place(file=path),
                expected=f"nothing else behind {packages[0]}, which has recovery images alone"
                if recovery_first
                else f"a sequence of at most {release.sequence}, that of {packages[0]}",
                found=f"sequence {contents.sequence}",
                hint="name the release first; devices would take older releases again otherwise",
            )
        for component, image in _chosen(contents.images, product).items():
            if component in images:
                raise UsageError(
                    f"two packages bring {component}",
                    place=Place(file=path),
                    expected="each component in one package",
                    found=f"{component} in {path} as well",
                    hint="leave one of the packages out",
                )
            images[component] = image
    assert release is not None
    return release, images


def _line_judge(project: Project, device_file: str | None, *, development: bool, as_of: str | None) -> Judge:
    """Return the judge of `imgseal check`, for devices that get the bootloader of the product file with the release."""
    if not development:
        refuse_without_channel(project, "these devices are of")
    judge_one = judge_of(project, device_file, development=development, as_of=as_of, new=True)
    if device_file is not None:
        return judge_one
    known = first_devices(project.product, "it is programmed with the release")
    return judge_one.with_state(fielded=known)


def _left_out(project: Project, images: Mapping[str, Image], *, without_recovery: bool) -> list[str]:
    """Return the recovery image that no package brings; UsageError unless that is meant, and for any other."""
    missing = [c for c in project.product.components.values() if c.name not in images]
    for component in missing:
        if component.recovery and without_recovery:
            continue
        recovery = ", the recovery image" if component.recovery else ""
        raise UsageError(
            f"no package brings {component.name}{recovery}",
            place=project.product.place(f"component.{component.name}"),
            expected=f"a package with {component.name} beside the release",
            found=", ".join(images),
            hint="name its package too: imgseal factory RELEASE RECOVERY; or say --without-recovery"
            if component.recovery
            else "build it into the release, or name a package that has it behind the release",
        )
    return [component.name for component in missing]


def _chosen(images: Mapping[str, Image], product: Product) -> dict[str, Image]:
    """Return by component the image for the first of its run slots that has one."""
    out = {}
    for component in product.components.values():
        slot = next((name for name in component.run if name in images), None)
        if slot is not None:
            out[component.name] = images[slot]
    return out


def _device(
    product: Product, images: Mapping[str, Image], release: Contents, hardware: int | None, held: Mapping[str, bytes]
) -> DeviceState:
    """Return the state of a device that has just been programmed; `held` is what its slots hold."""
    current, counters = {}, {}
    for name, image in images.items():
        component = product.components[name]
        if not component.recovery:
            head = image.content if image.header is None else image.header
            digest = hashlib.sha256(head[:STATEMENT_BYTES]).digest()
            current[component.number] = Member(component.run.index(image.slot), digest)
        counters[component.number] = product.factory.counters.get(name, image.statement.counter)
    return fresh(product)._replace(
        fresh=False,
        hardware=product.hardware[0] if hardware is None else hardware,
        sequence=release.sequence,
        manifest_digest=release.manifest_digest,
        counters={number: value for number, value in counters.items() if value},
        current=current,
        slots={name: _content(name, data) for name, data in held.items()},
    )


def _content(slot: str, data: bytes) -> SlotContent:
    """Return what the device's state file says of a slot."""
    return SlotContent(f"device.slots/{slot}.bin", hashlib.sha256(data).hexdigest())


def _refuse_unless_starts(
    project: Project, state: DeviceState, held: Mapping[str, bytes], *, development: bool
) -> None:
    """RefusedError unless a bootloader would start what is to be programmed."""
    trust = project.trust(development=development)
    contents = {name: ByteView(data) for name, data in held.items()}
    why = why_not(Context(project.product, trust, state, contents, development=development))
    if why is not None:
        raise RefusedError(
            f"a device programmed with this would not start: {why}",
            place=Place(file=project.path),
            hint="the first package has to bring a complete set; first counters may not be above the images'",
        )


def _image_parts(product: Product, images: Mapping[str, Image], path: str) -> list[Part]:
    """Return the sealed images in their slots; `path` is the package that they are from, for messages."""
    parts = []
    for name, image in images.items():
        component = product.components[name]
        version = image.statement.version
        base = product.slot_base(image.slot)
        parts.append(Part(f"{name} {version} in {image.slot}", image.slot, base, bytes(image.content), path))
        if image.header is not None:
            slot = component.header[component.run.index(image.slot)]
            parts.append(Part(f"header of {name} in {slot}", slot, product.slot_base(slot), bytes(image.header), path))
    return parts


def _anchor_block(project: Project, *, development: bool) -> bytes:
    """Return the block of trust anchors; empty where no slot holds them."""
    if project.product.slot_holding("anchors") is None:
        return b""
    return flash_block(anchor_set(project.trust(), project.product, development=development))


def _own_parts(project: Project, state: DeviceState, block: bytes) -> list[Part]:
    """Return the install record of the first set, and the trust anchors where a slot holds them."""
    product = project.product
    slot = product.slot_holding("records")
    assert slot is not None
    record = first_record(state.current, state.sequence, state.manifest_digest)
    data = place_content(record, product.numbers, product.memories[slot.memory].write_unit)
    parts = [Part("install record", slot.name, product.slot_base(slot.name), data, project.path)]
    slot = product.slot_holding("anchors")
    if slot is not None:
        parts.append(Part("trust anchors", slot.name, product.slot_base(slot.name), block, project.path))
    return parts


def _configured_parts(project: Project) -> list[Part]:
    """Read what [factory] names: the bootloader and the configuration ranges."""
    product, factory = project.product, project.product.factory
    slot = product.slot_holding("bootloader")
    parts = []
    if slot is not None and factory.bootloader is None:
        raise UsageError(
            "the product file names no bootloader to program",
            place=project.product.place("factory.bootloader"),
            expected=f"a firmware file for slot.{slot.name}",
            found="nothing",
            hint='add [factory] bootloader = "FILE" to the product file',
        )
    wanted = [(factory.bootloader, None, "bootloader", slot.name if slot else None)] if factory.bootloader else []
    named = [(entry.file, entry.at, entry.what, None) for entry in factory.ranges]
    for file, base, what, slot_name in [*wanted, *named]:
        path = project.resolve(file)
        with load_image(path, base, product) as image:
            note(f"{path}: {each}" for each in image.notes)
            parts += [
                Part(what, slot_name, region.address, image.read(region.address, region.size), path)
                for region in image.regions
            ]
    return parts
