"""What a device runs now, as far as its slots tell."""

from collections.abc import Mapping

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.versions import Version

__all__ = ["running_versions"]


def running_versions(context: Context) -> Mapping[int, Version]:
    """Return the versions of what the device runs now, by component number; 0 is the bootloader.

    A slot whose content has no readable header counts as empty.
    """
    versions: dict[int, Version] = {}
    if context.state.bootloader is not None:
        versions[0] = context.state.bootloader
    for component in context.product.components.values():
        index = context.state.running.get(component.number)
        if index is None or index >= len(component.run):
            continue
        name = (component.header or component.run)[index]
        content = context.contents.get(name)
        if content is None:
            continue
        header = ImageSubject(content).header
        if header is not None and header.statement.component == component.number:
            versions[component.number] = header.statement.version
    return versions
