"""Which products and variants a build makes, and of which firmware: what the arguments of `imgseal build` order."""

from collections.abc import Iterable
from contextlib import ExitStack

from imgseal.errors import Place, UsageError
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.workspace.firmware import Aimed, Firmware, aim, firmware_for, load_image_or_sealed
from imgseal.workspace.line import Products
from imgseal.workspace.project import Project


class Order(NamedTuple):
    """One product that is built, with the variants of it that are, and the firmware arguments for it."""

    projects: tuple[Project, ...]
    aimed: tuple[Aimed, ...]

    def firmware(self, product: Product) -> list[Firmware]:
        """Return the firmware of one of the variants."""
        return firmware_for(product, self.aimed)

    def paths(self) -> list[str]:
        """Return every firmware file of the order."""
        return [each.path for project in self.projects for each in self.firmware(project.product)]


def take_orders(
    products: Products, arguments: tuple[str, ...], *, every_variant: bool
) -> tuple[list[Order], list[str]]:
    """Return what is built, and notes on members of a line that are not.

    UsageError for firmware that is for nothing which is built: it must never go missing unseen.
    """
    aimed = [_aimed(argument, products) for argument in arguments]
    if every_variant and not any(len(member) > 1 for member in products.members):
        raise UsageError(
            "--variant all, but the product file has no variants",
            hint="leave --variant out, or add [variant.NAME] to the product file",
        )
    orders = []
    left = []
    for member in products.members:
        name = member[0].product.name
        own = tuple(each for each in aimed if each.product == name)
        if not own:
            left.append(name)
            continue
        projects = member[1:] if every_variant and len(member) > 1 else member[:1]
        for each in own:
            _refuse_unbuilt(each, projects, member[0])
        orders.append(Order(_in_one_release(projects), own))
    notes = [f"no firmware is named for {', '.join(left)}: not built"] if left else []
    return orders, notes


def _in_one_release(projects: tuple[Project, ...]) -> tuple[Project, ...]:
    """Return variants with one number where the log gives it: they are one release, whatever their classes."""
    highest = max(project.product.release.sequence for project in projects)
    return tuple(
        project._replace(product=project.product._replace(release=release._replace(sequence=highest)))
        if (release := project.product.release).next
        else project
        for project in projects
    )


def _aimed(argument: str, products: Products) -> Aimed:
    """Return for which product of the line an argument is, or the only one; UsageError where nothing says that."""
    aimed = aim(argument)
    names = [member[0].product.name for member in products.members]
    if aimed.product in names:
        return aimed
    if aimed.product is None and not products.is_line:
        return aimed._replace(product=names[0])
    raise UsageError(
        "a firmware argument for no product of the line"
        if products.is_line
        else "a firmware argument for another product",
        place=Place(file=products.path),
        expected=", ".join(f"{name}/" for name in names) + " in front of the component",
        found=argument,
        hint="say whose firmware it is: PRODUCT/NAME=FILE, or build one product: --product NAME",
    )


def _refuse_unbuilt(aimed: Aimed, projects: tuple[Project, ...], base: Project) -> None:
    built = [project.product.variant for project in projects]
    if aimed.variant is None or aimed.variant in built:
        return
    known = aimed.variant in base.product.variants
    raise UsageError(
        "firmware for a variant that is not built" if known else "the product file has no such variant",
        place=Place(file=base.path),
        expected=", ".join(each for each in built if each) or "no variant"
        if known
        else ", ".join(base.product.variants) or "no variant at all",
        found=f"{aimed.variant}:{aimed.argument}",
        hint="build them all: --variant all" if known else "name a variant of the product file in front of the colon",
    )


class FirmwareShelf:
    """Firmware that is read once, however many variants and products it goes into; good until the stack closes."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self._images: dict[tuple[str, int | None, str], MemoryImage] = {}

    def files(self, firmware: Iterable[Firmware], product: Product) -> list[FirmwareFile]:
        """Return the firmware of a product; what is sealed already is taken over for that product alone."""
        return [self._file(each, product) for each in firmware]

    def _file(self, firmware: Firmware, product: Product) -> FirmwareFile:
        key = firmware.path, firmware.base, product.after_end  # all that reading it depends on
        if key in self._images:
            return FirmwareFile(firmware.component, firmware.path, self._images[key])
        content = self._stack.enter_context(load_image_or_sealed(firmware.path, firmware.base, product))
        if isinstance(content, MemoryImage):
            self._images[key] = content
        return FirmwareFile(firmware.component, firmware.path, content)
