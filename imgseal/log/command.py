"""`imgseal log`: verify the release log, prove what is in it, show it, export what an auditor needs."""

import os
from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from imgseal.console.say import say
from imgseal.errors import InputError, Place, UsageError, in_file
from imgseal.formats.log.entry import Entry, encode_entry
from imgseal.formats.log.errors import LogError
from imgseal.formats.log.proof import (
    Consistency,
    decode_proof,
    encode_proof,
    prove_consistency,
    prove_inclusion,
    refuse_unless_holds,
)
from imgseal.formats.log.tree import EMPTY_ROOT
from imgseal.limits import PROOF_BYTES
from imgseal.records import NamedTuple
from imgseal.times import utc
from imgseal.versions import decimal
from imgseal.workspace.files import read_bounded
from imgseal.workspace.log_file import LogFile, older_head, refuse_unless_continued
from imgseal.workspace.project import Project


@click.group(
    "log",
    epilog="""
\b
Examples:
  imgseal log verify                              the whole log
  imgseal log verify --against 12:9f86d081884c... and that it continues this head
  imgseal log verify --against old/release.log    or an older copy of the log
  imgseal log prove 2.4.1 > proof.json            that this release is in it
  imgseal log prove --from 12 > proof.json        that it continues the log of 12 entries
  imgseal log verify --proof proof.json --against 12:9f86d081884c...
  imgseal log show                                every release
  imgseal log show --key 5f0c...                  every release that a key signed
  imgseal log export 2.4.1 audit/2.4.1            what an auditor needs

\b
RELEASE is a version, or the number of an entry, from 0.
""",
)
def command() -> None:
    """Verify, prove and show the release log that build --release keeps ([log] in the product file)."""


class _Chosen(NamedTuple):
    """The log that the command line names, or the product file that names it."""

    log_file: str | None
    product_file: str | None

    def open(self) -> LogFile:
        """Return the log; UsageError where none is stated, InputError where it is not there."""
        if self.log_file is not None:
            return LogFile(self.log_file)
        path = log_path(Project.load(self.product_file))
        if not os.path.lexists(path):
            hint = "the first imgseal build --release makes it; if there were releases, restore it from version control"
            raise InputError("there is no release log yet", place=Place(file=path), hint=hint)
        return LogFile(path)


def _log_options(command: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(command)
    def with_choice(*, log_file: str | None, product_file: str | None, **options: Any) -> Any:
        return command(chosen=_Chosen(log_file, product_file), **options)

    log = click.option("--log", "log_file", metavar="FILE", help="This log instead of the product file's.")
    product = click.option("--product", "product_file", metavar="FILE", help="Use this product file.")
    return product(log(with_choice))


def log_path(project: Project) -> str:
    """Return the path of the product's log; UsageError where it states none."""
    if project.log_path is None:
        raise UsageError(
            "the product file states no release log",
            place=Place(file=project.path, key="log.path"),
            hint='add to it: [log] path = "release.log"; or name a log: --log FILE',
        )
    return project.log_path


def find(log: LogFile, release: str) -> Entry:
    """Read the whole log and return the entry of a release; UsageError where none or several have the version."""
    number = decimal(release, (1 << 63) - 1) if release else None
    found = [step.entry for step in log.walk() if step.entry.number == number or str(step.entry.version) == release]
    if len(found) == 1:
        return found[0]
    if not found:
        raise UsageError(
            "no such release in the log",
            place=Place(file=log.path),
            expected=f"a version that is logged, or an entry number below {log.tip.size}",
            found=release,
            hint="imgseal log show lists them",
        )
    raise UsageError(
        "several releases have this version",
        place=Place(file=log.path),
        expected=f"an entry number: {', '.join(str(entry.number) for entry in found)}",
        found=release,
        hint="name the release by its entry number",
    )


def say_torn(log: LogFile) -> None:
    """Say on standard error that the log ends in an unfinished line, or in one without its line feed."""
    if log.bare:
        ending = "the last entry is complete but for its line feed, and counts; the next release adds the line feed"
        say([f"{log.path}: {ending}"])
    if log.torn:
        cut = "bytes behind the last entry are of a line that was cut while it was being written, or is being written"
        say([f"{log.path}: {log.torn} {cut} now; they are no entry, and the next release writes over them"])


@command.command()
@click.option("--against", metavar="OLDER", help="An older head SIZE:ROOT, a file that holds one, or an older log.")
@click.option("--proof", "proof_file", metavar="FILE", help="Verify this proof instead; no log is needed.")
@_log_options
def verify(against: str | None, proof_file: str | None, chosen: _Chosen) -> None:
    """Verify every entry of the log, and its head; with --against also that nothing older was changed.

    Exit status 1 when the log does not hold, 3 when a line cannot be read.
    """
    if proof_file is not None:
        if chosen.log_file is not None:
            raise UsageError(
                "--proof and --log contradict each other", hint="leave --log out: a proof is verified without it"
            )
        _verify_proof(proof_file, against)
        return
    older = older_head(against) if against is not None else None
    log = chosen.open()
    root = EMPTY_ROOT if older is not None and older.size == 0 else None
    for step in log.walk():
        if older is not None and step.tip.size == older.size:
            root = step.tip.root
    say_torn(log)
    if older is not None:
        refuse_unless_continued(log, older, root)
    size = log.head.size
    click.echo(f"{log.path}: {size} {'entry holds' if size == 1 else 'entries hold'}")
    if older is not None:
        click.echo(f"continues {older}")
    click.echo(f"head {log.head}")


def _verify_proof(path: str, against: str | None) -> None:
    data = read_bounded(path, "proof", PROOF_BYTES)
    with in_file(path):
        proof = decode_proof(data)
        refuse_unless_holds(proof)
        stated = proof.first if isinstance(proof, Consistency) else proof.head
        if against is not None and (wanted := older_head(against)) != stated:
            raise LogError(
                "this proof is for another head",
                expected=str(wanted),
                found=str(stated),
                hint="prove from the log that one head continues the other: imgseal log prove --from SIZE",
            )
    if isinstance(proof, Consistency):
        click.echo(f"the log with head {proof.second} continues the one with head {proof.first}")
        return
    entry = proof.entry
    click.echo(f"entry {entry.number} is in the log with head {proof.head}")
    for line in _lines(entry):
        click.echo(line)
    if against is None:
        say(["this is worth as much as the head: compare it with the published one (--against)"])


@command.command()
@click.argument("release", required=False)
@click.option("--from", "first", type=int, metavar="SIZE", help="Prove that the log continues the one of SIZE entries.")
@click.option("--size", "size", type=int, metavar="SIZE", help="In the log of SIZE entries; default the whole log.")
@_log_options
def prove(release: str | None, first: int | None, size: int | None, chosen: _Chosen) -> None:
    """Print a proof as JSON: that RELEASE is in the log, or with --from that the log continues an older one."""
    if (release is None) == (first is None):
        raise UsageError("give either a release or --from SIZE", hint="imgseal log --help has examples")
    log = chosen.open()
    entry = None if release is None else find(log, release)
    if entry is None:
        log.read()
    say_torn(log)
    whole = _in_range(size, "--size", 0 if entry is None else entry.number + 1, log)
    leaves = log.leaves[: log.tip.size if size is None else whole]
    if entry is not None:
        proof = encode_proof(prove_inclusion(entry, leaves))
    else:
        proof = encode_proof(prove_consistency(leaves, _in_range(first, "--from", 0, log, most=len(leaves))))
    click.echo(proof.decode("ascii"), nl=False)


def _in_range(value: int | None, option: str, least: int, log: LogFile, most: int | None = None) -> int:
    most = log.tip.size if most is None else most
    if value is None:
        return most
    if not least <= value <= most:
        raise UsageError(
            "the log has never had this size"
            if value > log.tip.size
            else "this size does not fit what is to be proved",
            place=Place(file=log.path, key=option),
            expected=f"{least} to {most}",
            found=str(value),
            hint="imgseal log verify says how many entries the log has",
        )
    return value


@command.command()
@click.argument("release", required=False)
@click.option(
    "--key",
    metavar="THUMBPRINT",
    help="Releases that this key signed when they were built; imgseal key show prints it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the entries as a JSON array.")
@_log_options
def show(release: str | None, key: str | None, as_json: bool, chosen: _Chosen) -> None:
    """List the releases, or show one. What is shown has been verified first."""
    if release is not None and key is not None:
        raise UsageError(
            "a release and --key cannot be given together",
            hint="leave one of them out: --key lists the releases of a key",
        )
    wanted = _key_id(key) if key is not None else None
    log = chosen.open()
    if release is not None:
        entry = find(log, release)
        shown = [_json(entry) if as_json else "\n".join(_lines(entry))]
    else:
        entries = (step.entry for step in log.walk() if wanted is None or wanted in step.entry.keys)
        shown = [_json(entry) if as_json else _row(entry, wanted) for entry in entries]  # printed once all is verified
    say_torn(log)
    if as_json:
        click.echo("[" + ",\n".join(shown) + "]")
    else:
        for text in shown:
            click.echo(text)
    if wanted is not None:
        count = f"{len(shown)} of the logged releases" if shown else "none of the logged releases"
        added = "Signatures that were added later (imgseal sign PACKAGE) are not in the log"
        say([f"{count} had a signature by this key when built. {added}: imgseal show PACKAGE has them."])
    elif not shown and not as_json:
        say(["no release yet"])


@command.command()
@click.argument("release")
@click.argument("folder")
@click.option("--package", metavar="FILE", help="The release's package; default where build --out out has put it.")
@click.option("--sbom", metavar="FILE", help="A bill of materials to put beside it.")
@click.option("--variant", metavar="NAME", help="The package of this variant, where the release has several.")
@_log_options
def export(
    release: str,
    folder: str,
    package: str | None,
    sbom: str | None,
    variant: str | None,
    chosen: _Chosen,
) -> None:
    """Write what an auditor needs in years to come into a new FOLDER, and judge all of it first.

    The package, the product file as it was resolved, the public keys, the verdict, the proof from the log, the bill of
    materials where one is given, and the version of imgseal.
    """
    from imgseal.log.export import ExportFiles, export_release

    project = Project.load(chosen.product_file)
    log = LogFile(chosen.log_file if chosen.log_file is not None else log_path(project))
    entry = find(log, release)
    say_torn(log)
    for path in export_release(log, entry, folder, ExportFiles(project.path, package, sbom), variant):
        click.echo(path)


def _key_id(text: str) -> bytes:
    """Turn a thumbprint, or the identifier that is its first half, into the identifier that entries hold."""
    digits = text.lower()
    if len(digits) not in (32, 64) or not set(digits) <= set("0123456789abcdef"):
        raise UsageError(
            "this is no thumbprint",
            place=Place(key="--key"),
            expected="64 hex digits, or the first 32 of them",
            found=text[:80],
            hint="imgseal key show FILE prints the thumbprint of a key",
        )
    return bytes.fromhex(digits[:32])


def _json(entry: Entry) -> str:
    return encode_entry(entry).decode("ascii")


def _row(entry: Entry, key: bytes | None) -> str:
    row = f"{entry.number:>4}  {entry.product} {entry.version}  sequence {entry.sequence}  {utc(entry.built)}"
    if key is None:
        variants = [package.variant for package in entry.packages if package.variant]
        return row + (f"  {', '.join(variants)}" if variants else "")
    signed = []
    for package in entry.packages:
        mark = f" of {package.variant}" if package.variant else ""
        if key in package.keys:
            signed.append(f"package{mark}")
        signed += [f"{image.slot}{mark}" for image in package.images if key in image.keys]
    return f"{row}  signed {', '.join(signed)}"


def _lines(entry: Entry) -> list[str]:
    """Return an entry for people."""
    lines = [
        f"  release    {entry.product} {entry.version}, sequence {entry.sequence}, of {entry.vendor}",
        f"  built      {utc(entry.built)} (SOURCE_DATE_EPOCH={entry.built}) by imgseal {entry.tool}",
        f"  revision   {entry.revision.hex() or 'not stated'}",
    ]
    for package in entry.packages:
        mark = f"{package.variant}, " if package.variant else ""
        lines.append(f"  package    {mark}class {package.class_id.hex()}")
        lines.append(f"    manifest  {package.manifest.hex()}")
        lines += [f"    signed by {key.hex()}" for key in package.keys]
        for image in package.images:
            lines.append(f"    image     {image.name} {image.version} in {image.slot}, counter {image.counter}")
            lines.append(f"      statement {image.statement.hex()}")
            lines += [f"      signed by {key.hex()}" for key in image.keys]
    return lines
