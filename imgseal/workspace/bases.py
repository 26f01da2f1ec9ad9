"""Judges a delivery for the devices that run what an archive keeps, where no device is named."""

import hashlib
from collections.abc import Iterable, Iterator

from imgseal.check.context import Context, component_numbered
from imgseal.check.delivery import examine
from imgseal.check.delivery_steps import without_base
from imgseal.check.running import fielded
from imgseal.errors import InputError
from imgseal.findings import CheckResult, Verdict
from imgseal.flow.classes import classes_in
from imgseal.flow.contents import Contents, read_contents
from imgseal.flow.deliver import Device, devices_after
from imgseal.formats.suit.delivery import Step, decode_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.model import Product
from imgseal.window import Bytes
from imgseal.workspace.files import load_artefact


def judged_by_bases(
    unjudged: Verdict, data: Bytes, context: Context, paths: tuple[str, ...]
) -> tuple[Verdict, Context | None]:
    """Return the verdict on a delivery that lacks nothing but what devices run, for those that run these packages.

    It is accepted when each of its steps is taken by a device that takes all of the delivery; the first of these comes
    along. Else it is refused as by the device that has the most of its bases, or says which base is still missing:
    then nobody comes along.
    """
    steps = decode_delivery(decode_envelope(data.read(0, data.size)).manifest).steps
    based = any(step.base is not None for step in steps)
    taken: list[tuple[Verdict, tuple[Step, ...], Context]] = []
    refused: list[tuple[int, Verdict, Context]] = []
    for device in _devices(context, paths):
        fits = sum(_has_base(step, device.context) for step in steps)
        if based and not fits:
            continue
        verdict, package = examine(data, unjudged.name, device.context, device.name)
        if verdict.accepted:
            taken.append((verdict, package.steps, device.context))
        elif verdict.findings:
            refused.append((fits, verdict, device.context))
    left = [step for step in steps if not any(step in takes for _, takes, _ in taken)]
    if left and refused:
        return max(refused, key=lambda each: each[0])[1:]
    if left:
        return unjudged._replace(checks=tuple(_missing(each, context, left[0]) for each in unjudged.checks)), None
    if not taken:  # it has no steps, and none of these runs all of the release
        return unjudged, None
    first, _, its = taken[0]
    details = dict.fromkeys(detail for verdict, *_ in taken for detail in verdict.details)
    who = ", ".join(dict.fromkeys(verdict.device for verdict, *_ in taken))
    return first._replace(device=f"devices that run {who}", details=tuple(details)), its


def _missing(result: CheckResult, context: Context, step: Step) -> CheckResult:
    return result._replace(because=without_base(context, step).because) if result.name == "steps" else result


def _devices(context: Context, paths: Iterable[str]) -> Iterator[Device]:
    product = context.product
    one = context._replace(every=False, state=context.state._replace(fielded=fielded(context)))
    for path in paths:
        if (contents := _contents(path, product)) is not None:
            yield from devices_after(contents, product, one)


def _contents(path: str, product: Product) -> Contents | None:
    """Read a package of the product; None for one of another."""
    data = load_artefact(path)
    try:
        return read_contents(data.read(0, data.size), path, product) if product.class_id in classes_in(data) else None
    except InputError:
        return None


def _has_base(step: Step, context: Context) -> bool:
    """Say whether a step is for the slot that a device would write, and starts from what it runs."""
    number, base = step.part.number, step.base
    component, runs_from = component_numbered(context.product, number), context.state.running.get(number)
    if component is None or base is None or runs_from is None:
        return False
    content = context.contents.get(component.run[runs_from])
    target = 1 - runs_from if len(component.run) > 1 else 0
    if content is None or step.part.slot != target:
        return False
    return hashlib.sha256(content.read(0, base.size)).digest() == base.digest
