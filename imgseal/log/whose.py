"""Whose an entry is, in a log that several products keep: what is said of one of them says nothing of the others."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from imgseal.errors import Place, UsageError
from imgseal.formats.log.entry import Entry, Reservation
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.workspace.project import Project


class Whose(NamedTuple):
    """The product that a command is for, and its variants; `projects` is empty where none is named, but a log."""

    projects: "tuple[Project, ...]"
    log: str

    def has(self, entry: Entry | Reservation) -> bool:
        """Say whether an entry is of the product: of its name, or, where it was renamed, of one of its classes."""
        names = {(each.product.vendor, each.product.name) for each in self.projects}
        classes = {each.product.class_id for each in self.projects}
        return (
            not self.projects
            or (entry.vendor, entry.product) in names
            or any(package.class_id in classes for package in entry.packages)
        )

    def refuse_foreign(self, entry: Entry | Reservation) -> None:
        """UsageError for an entry of another product."""
        if not self.has(entry):
            raise UsageError(
                "this entry is of another product that keeps the same log",
                place=Place(file=self.log, key=f"entry {entry.number}"),
                expected=f"an entry of {self.projects[0].product.name}, of {self.projects[0].path}",
                found=f"{entry.product} {entry.version}",
                hint=f"where that one is meant, say so: --product FILE, or in a product line --product {entry.product}",
            )

    def refuse_open(self, entries: Iterable[Entry], version: str) -> None:
        """UsageError where nothing says whose version is meant: neither a product nor the log, which has several."""
        names = sorted({entry.product for entry in entries})
        if not self.projects and len(names) > 1:
            raise UsageError(
                "several products keep this log, and a version does not say whose release is meant",
                place=Place(file=self.log),
                expected="the number of an entry, or --product FILE",
                found=f"{version}, in a log of {', '.join(names)}",
                hint="imgseal log show lists the entries",
            )
