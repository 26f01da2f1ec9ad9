"""Begins a release log, pins it, and writes down what becomes of releases and reservations: withdrawn, surrendered."""

import os
from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from imgseal import __version__
from imgseal.console.options import reason
from imgseal.console.say import say
from imgseal.errors import Place, UsageError
from imgseal.formats.log.entry import Entry, Logged, Reservation, Surrender, Withdrawal, Withdrawn
from imgseal.formats.log.lines import Tip
from imgseal.formats.log.proof import Head
from imgseal.formats.log.tree import EMPTY_ROOT
from imgseal.log.whose import Whose
from imgseal.records import NamedTuple
from imgseal.versions import decimal
from imgseal.workspace.append import held
from imgseal.workspace.append_entry import append_entry
from imgseal.workspace.clock import build_time
from imgseal.workspace.files import write_all
from imgseal.workspace.log_file import LogFile, Pin, pick
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output
from imgseal.workspace.verified_log import (
    VerifiedLog,
    pinned_head,
    pinned_log,
    refuse_missing,
    stated_log,
    verified_log,
)


class Chosen(NamedTuple):
    """The log that the command line names, or the product file that names it."""

    log_file: str | None
    product_file: str | None

    def open(self) -> LogFile:
        """Return the log, which has to go on from its pin, where none is named; UsageError where it is not there."""
        if self.log_file is not None:
            return LogFile(self.log_file)
        project = self.project()
        path = stated_log(project)
        refuse_missing(project, path)
        head = pinned_head(project)  # first: a log that others add to meanwhile has what they pin
        return LogFile(path, None if head is None else Pin(head, str(project.pin_path)))

    def whose(self, log: str) -> Whose:
        """Return the product that is meant, with its variants: none where a log is named and no product file."""
        if self.log_file is not None and self.product_file is None:
            return Whose((), log)
        return Whose(Project.load_every(self.product_file, with_log=False), log)

    def project(self) -> Project:
        """Return the product file; what it leaves to the log is not looked for there."""
        return Project.load(self.product_file, with_log=False)


def log_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --log and --product to a command, which gets them as `chosen`."""

    @wraps(command)
    def with_choice(*, log_file: str | None, product_file: str | None, **options: Any) -> Any:
        return command(chosen=Chosen(log_file, product_file), **options)

    log = click.option("--log", "log_file", metavar="FILE", help="This log instead of the product file's.")
    product = click.option(
        "--product",
        "product_file",
        metavar="FILE|NAME",
        help="Use this product file, or the member of the product line with this product.name.",
    )
    return product(log(with_choice))


_why_option = click.option("--why", required=True, metavar="TEXT", help="The reason, which the log keeps.")


@click.command()
@log_options
def new(chosen: Chosen) -> None:
    """Begin a release log: an empty file, and its pin where the product file states one.

    Refused where there is a log already: what was released is only added to.
    """
    pin = None
    if chosen.log_file is not None:
        path = chosen.log_file
    else:
        project = chosen.project()
        path, pin = stated_log(project), project.pin_path
    for there in (path, *([pin] if pin is not None else [])):
        if os.path.lexists(there):
            raise UsageError(
                "there is something here already, and a log is begun once",
                place=Place(file=there),
                hint="imgseal log verify says what it holds",
            )
    head = Head(0, EMPTY_ROOT)
    outputs = [Output(path, [b""], replace=False)]
    if pin is not None:
        outputs.append(Output(pin, [f"{head}\n".encode()], replace=False))
    write_all(outputs)
    click.echo(path)
    if pin is not None:
        click.echo(pin)


@click.command()
@log_options
def pin(chosen: Chosen) -> None:
    """Write the head of the log into its pin, for version control.

    Later releases refuse a log that does not go on from it.

    Refused where the log does not go on from the pin that is there.
    """
    if chosen.log_file is not None:
        raise UsageError("the pin is the product file's", hint="leave --log out")
    project = chosen.project()
    path, where = stated_log(project), project.pin_path
    if where is None:
        raise UsageError(
            "the product file states no pin",
            place=project.product.place("log.pin"),
            hint='add to [log] of it: pin = "release.head"',
        )
    refuse_missing(project, path)
    with held(path):  # who pins at the same time has seen less or more: a pin never goes back
        log = pinned_log(project, path) if os.path.lexists(where) else verified_log(path)
        write_all([Output(where, [f"{log.head}\n".encode()])])
    click.echo(f"{where}: {log.head}")


@click.command()
@click.argument("release")
@_why_option
@log_options
def withdraw(release: str, why: str, chosen: Chosen) -> None:
    """Withdraw RELEASE: check, gate and report refuse its packages from then on.

    Devices are not told: a device refuses an older release for its counters. RELEASE is a version, or the number of an
    entry, of this product: what another one has in the same log is withdrawn with --product. Each entry is withdrawn by
    itself: a release and its promotions are several, and a note names the others.
    """
    said = reason(why, "--why")
    log = _verified(chosen)
    entry = _release(log, release, chosen.whose(log.path))
    gone = {digest for floor in log.tip.least for digest in floor.withdrawn}
    packages = tuple(
        Withdrawn(each.variant, each.class_id, each.manifest) for each in entry.packages if each.manifest not in gone
    )
    if not packages:
        raise UsageError(
            "this release is withdrawn already",
            place=Place(file=log.path),
            found=f"{entry.product} {entry.version}, entry {entry.number}",
            hint="imgseal log show says why",
        )
    _add(log, Withdrawal(0, build_time(), __version__, entry.number, said, packages))
    gone |= {each.manifest for each in packages}
    say([f"entry {each} ships the same images and is not withdrawn" for each in _with_same_images(log, entry, gone)])


@click.command()
@click.argument("entry", type=int)
@_why_option
@log_options
def surrender(entry: int, why: str, chosen: Chosen) -> None:
    """Surrender the reservation of ENTRY: nobody will finish its signing request. Its sequence is not given again."""
    said = reason(why, "--why")
    log = _verified(chosen)
    pending = reserved(log.tip)
    if entry not in pending:
        raise UsageError(
            "this entry is no open reservation",
            place=Place(file=log.path),
            expected=f"entry {' or '.join(map(str, pending))}" if pending else "an open reservation: the log has none",
            found=f"entry {entry}",
            hint="imgseal log show says which entries are open",
        )
    held = log.entry(entry)
    assert isinstance(held, Reservation)  # the floors of a verified log follow from its entries
    chosen.whose(log.path).refuse_foreign(held)
    _add(log, Surrender(0, build_time(), __version__, entry, said))


def reserved(tip: Tip) -> list[int]:
    """Return the entries of the reservations that are open: neither completed nor surrendered."""
    return sorted({row.entry for floor in tip.least for row in floor.open})


def _verified(chosen: Chosen) -> VerifiedLog:
    """Return the log, which has to go on from its pin."""
    if chosen.log_file is not None:
        return verified_log(chosen.log_file)
    project = chosen.project()
    return pinned_log(project, stated_log(project))


def _release(log: VerifiedLog, name: str, whose: Whose) -> Entry:
    """Return the release of the product with this version, or the one of this entry; UsageError where it is foreign."""
    number = decimal(name, (1 << 63) - 1)
    if number is None:
        entries = [each for each in map(log.entry, range(log.tip.size)) if isinstance(each, Entry)]
        whose.refuse_open(entries, name)
        found = [each for each in entries if str(each.version) == name]
        mine = [each for each in found if whose.has(each)]
        found = mine or found
    else:
        found = [each for each in [log.entry(number)] if isinstance(each, Entry)]
    entry = pick(found, name, log.path, log.tip.size)
    whose.refuse_foreign(entry)
    return entry


def _with_same_images(log: VerifiedLog, entry: Entry, gone: set[bytes]) -> list[int]:
    """Return the entries that ship what a release does, such as its promotions, and of which a package is not gone."""
    shipped = {package.images for package in entry.packages}
    entries = map(log.entry, range(log.tip.size))
    return [
        each.number
        for each in entries
        if isinstance(each, Entry)
        and any(package.images in shipped and package.manifest not in gone for package in each.packages)
    ]


def _add(log: VerifiedLog, draft: Logged) -> None:
    step, notes = append_entry(log.path, draft)
    say(notes)
    click.echo(f"entry {step.entry.number} of {log.path}; head {Head(step.tip.size, step.tip.root)}")
