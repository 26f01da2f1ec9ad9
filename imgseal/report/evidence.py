"""The evidence table: rows of published rules, and what the observations of a report say to each. Not legal advice."""

from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

from imgseal.records import NamedTuple
from imgseal.report.grounds import FAILED, IN_PART, NOT_SHOWN, SHOWN, STATED
from imgseal.report.observations import Observation

MAKERS = "the maker's"

DISCLAIMER = (
    "This is not legal advice, and no declaration of conformity. The rows name what a rule asks for in our own words; "
    'read the official text before you quote it. "Shown" means that the observations named beside it were made on this '
    'package; "in part" that some were, or that the maker has to do the rest; "stated" that the product file or the '
    "tool says so, whatever the package. Whether that is enough is for the maker, and for whoever assesses the product."
)


class Row(NamedTuple):
    """A row: clause, gist, observations by name, what stays the maker's, status or level where the source says one.

    Those that it `supports` help the maker to show the row, and cannot show it: the gist says more than they do.
    """

    clause: str
    gist: str
    shows: Sequence[str] = ()
    supports: Sequence[str] = ()
    maker: str | None = None
    status: str | None = None


class Scheme(NamedTuple):
    """A published set of rules: where its rows come from, and the rows."""

    id: str
    title: str
    origin: str
    rows: tuple[Row, ...]


def schemes() -> tuple[Scheme, ...]:
    """Read the rows that come with the package."""
    import tomllib  # noqa: PLC0415 - only reports read it

    tree: dict[str, Any] = tomllib.loads(files("imgseal.report").joinpath("regulations.toml").read_text("utf-8"))
    return tuple(
        Scheme(name, each["title"], each["origin"], tuple(Row(clause, **row) for clause, row in each["row"].items()))
        for name, each in tree.items()
    )


def judged(row: Row, observations: Mapping[str, Observation]) -> str:
    """Return what the observations say to a row: one that failed outweighs the others.

    A row is shown where every observation is and nothing stays with the maker; what is stated never makes one shown.
    """
    answers = {observations[name].answer for name in (*row.shows, *row.supports)}
    if FAILED in answers:
        return FAILED
    if not answers or row.supports:
        return MAKERS
    if answers == {SHOWN} and row.maker is None:
        return SHOWN
    if SHOWN in answers or IN_PART in answers:
        return IN_PART
    return STATED if answers == {STATED} else NOT_SHOWN
