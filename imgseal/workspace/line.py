"""Finds the products that a command works on: one by its file, or the members of a product line."""

from imgseal.errors import Place, UsageError
from imgseal.product.model import Gate
from imgseal.records import NamedTuple
from imgseal.workspace.line_file import find_line
from imgseal.workspace.project import Project


class Products(NamedTuple):
    """The products that a command works on, each as it is without a variant and then each variant of it.

    `path` is the product file, or that of the line which they are members of; `gate` the line's own [gate].
    """

    path: str
    members: tuple[tuple[Project, ...], ...]
    is_line: bool = False
    gate: Gate = Gate()

    @property
    def projects(self) -> tuple[Project, ...]:
        """Every product and variant, in order."""
        return tuple(project for member in self.members for project in member)

    def own_files(self) -> list[str]:
        """Return every file that a product file is or names: no output may ever replace one of them."""
        files = [self.path, *(path for member in self.members for path in member[0].own_files())]
        return list(dict.fromkeys(files))

    def one(self) -> tuple[Project, ...]:
        """Return the only product and its variants; UsageError for a line, which has to be told which one is meant."""
        if not self.is_line:
            return self.members[0]
        names = [member[0].product.name for member in self.members]
        raise UsageError(
            "this works on one product, and here is a product line",
            place=Place(file=self.path),
            expected=", ".join(names),
            hint=f"name one of its products: --product {names[0]}",
        )


def load_products(
    product_file: str | None, settings: tuple[str, ...] = (), variant: str | None = None, channel: str | None = None
) -> Products:
    """Load the product that is named or nearest, or all members of the line that is; each with its variants.

    With `variant` only that one is loaded, with `channel` each is as for its devices. Raises UsageError or InputError.
    """
    products = _load_products(product_file, settings, variant)
    if channel is None:
        return products
    return products._replace(
        members=tuple(tuple(each.in_channel(channel) for each in member) for member in products.members)
    )


def _load_products(product_file: str | None, settings: tuple[str, ...], variant: str | None) -> Products:
    line = find_line(product_file)
    if line is None:
        chosen = (
            Project.load_every(product_file, settings)
            if variant is None
            else (Project.load(product_file, settings, variant),)
        )
        return Products(chosen[0].path, (chosen,))
    for option, given in (("--set", settings), ("--variant", variant)):
        if given:
            raise UsageError(
                f"{option} is about one product, and here is a product line",
                place=Place(file=line.path),
                hint=f"name the product as well: --product NAME {option} ...",
            )
    members = tuple(Project.load_every(path, found=product_file is None) for path in line.members)
    _refuse_twins(members)
    return Products(line.path, members, is_line=True, gate=line.gate)


def _refuse_twins(members: tuple[tuple[Project, ...], ...]) -> None:
    """UsageError where two members have one name, or a class in common: devices go by the class alone."""
    names: dict[str, Project] = {}
    classes: dict[bytes, Project] = {}
    for member in members:
        base = member[0]
        other = names.setdefault(base.product.name, base)
        if other is not base:
            raise UsageError(
                "two products of the line have one name",
                place=Place(file=base.path, key="product.name"),
                expected="a name of its own",
                found=f"{base.product.name}, as in {other.path}",
                hint="files and --product NAME go by it: give one of them another name",
            )
        for project in member:
            other = classes.setdefault(project.product.class_id, base)
            if other is not base:
                raise UsageError(
                    "two products of the line have one class: their devices would take each other's firmware",
                    place=Place(file=base.path, key="product.class"),
                    expected="a class of its own",
                    found=f"{project.product.class_name}, as in {other.path}",
                    hint="give one of them another class, or make them variants of one product file",
                )
