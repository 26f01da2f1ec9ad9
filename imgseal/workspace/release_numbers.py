"""Checks the numbers of a release against those before it, and says when counter storage runs out."""

from collections.abc import Iterable, Mapping

from imgseal.errors import UsageError
from imgseal.flow.contents import Contents
from imgseal.flow.release import ReleaseResult
from imgseal.formats.log.floors import raise_to
from imgseal.make.seal import SealedImage
from imgseal.workspace.project import Project

_FEW = 3


def compare_numbers(result: ReleaseResult, before: Contents | None, project: Project) -> list[str]:
    """Refuse numbers that go down against the package before; say which counter storage is nearly used up."""
    if before is not None:
        _refuse_going_down(result, before, project)
    return counters_running_out(result.images)


def _refuse_going_down(result: ReleaseResult, before: Contents, project: Project) -> None:
    """UsageError when sequence or a counter is below the previous package's, or the sequence is used again.

    RFC 9124 section 4.3.1 REQ.SEC.SEQUENCE: the number only rises. Devices would refuse such a release.
    """
    sequence = result.package.manifest.sequence_number
    if sequence <= before.sequence and result.package.digest.value != before.manifest_digest:
        raise UsageError(
            "the sequence does not rise",
            place=project.product.place("release.sequence"),
            expected=f"above {before.sequence}, the previous package's",
            found=str(sequence),
            hint=raise_to(before.sequence, older=True),
        )
    counters: dict[str, int] = {}
    for old in before.images.values():
        counters[old.component] = max(old.statement.counter, counters.get(old.component, 0))
    for image in result.images:
        name = image.placed.component.name
        least = counters.get(name, 0)
        if image.statement.counter < least:
            raise UsageError(
                "an anti-rollback counter goes down",
                place=project.product.place(f"component.{name}.counter"),
                expected=f"at least {least}, the previous package's",
                found=str(image.statement.counter),
                hint=f"component.{name}.counter = {least}, or higher when older code must never run again",
            )
    refuse_leaping(result.images, counters, project)


def refuse_leaping(images: Iterable[SealedImage], counters: Mapping[str, int], project: Project) -> None:
    """UsageError when a counter rises by more than `counter_jump` above those of the devices, by component name.

    The judge says the same of a device that has such a counter.
    """
    for image in images:
        component = image.placed.component
        before, jump = counters.get(component.name, 0), component.counter_jump
        if jump is not None and before and image.statement.counter > before + jump:
            raise UsageError(
                "an anti-rollback counter rises by more than the product file allows",
                place=project.product.place(f"component.{component.name}.counter"),
                expected=f"at most {before + jump}: {before} is released, and counter_jump is {jump}",
                found=str(image.statement.counter),
                hint=f"component.{component.name}.counter = {before + 1} locks out all that was before",
            )


def counters_running_out(images: Iterable[SealedImage]) -> list[str]:
    """Say of which components the device's counter storage is nearly used up: a tenth left, or three steps."""
    notes = []
    for image in images:
        component = image.placed.component
        steps, counter = component.counter_most, image.statement.counter
        if steps - counter <= max(_FEW, steps // 10):
            notes.append(
                f"component.{component.name}.counter is {counter} of {steps}: {steps - counter} steps are left "
                "for the life of the product; raise it only when older code must never run again"
            )
    return list(dict.fromkeys(notes))
