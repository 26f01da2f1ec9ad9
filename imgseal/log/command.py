"""`imgseal log`: verify the release log, prove what is in it, show it, export what an auditor needs."""

import click

from imgseal.console.say import say
from imgseal.errors import Place, UsageError, in_file
from imgseal.formats.log.entry import Entry, Logged
from imgseal.formats.log.entry_codec import encode_entry
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
from imgseal.log import keep_command, words
from imgseal.log.keep_command import Chosen, log_options
from imgseal.versions import decimal
from imgseal.workspace.files import read_bounded
from imgseal.workspace.log_file import LogFile, older_head, pick, refuse_unless_continued
from imgseal.workspace.project import Project


@click.group(
    "log",
    epilog="""
\b
Examples:
  imgseal log verify                              the whole log
  imgseal log verify --against 12:9f86d081884c... and that it continues this head
  imgseal log verify --against old/release.log    or an older copy of the log
  imgseal log verify --against fleet.suit         or the head that a package carries
  imgseal log prove 2.4.1 > proof.json            that this release is in it
  imgseal log prove --from 12 > proof.json        that it continues the log of 12 entries
  imgseal log verify --proof proof.json --against 12:9f86d081884c...
  imgseal log show                                every release
  imgseal log show --key 5f0c...                  every release that a key signed
  imgseal log export 2.4.1 audit/2.4.1            what an auditor needs
  imgseal log new                                 begin a log
  imgseal log pin                                 keep its head in version control
  imgseal log withdraw 2.4.1 --why "stops half open"
  imgseal log surrender 12 --why "nobody signs it"

\b
RELEASE is a version, or the number of an entry, from 0.
""",
)
def command() -> None:
    """Verify, prove and show the release log that build --release keeps ([log] in the product file)."""


def find(log: LogFile, release: str) -> Entry:
    """Read the whole log and return the entry of a release; UsageError where none or several have the version."""
    number = decimal(release, (1 << 63) - 1) if release else None
    found = [entry for entry in log.releases() if entry.number == number or str(entry.version) == release]
    return pick(found, release, log.path, log.tip.size)


def find_any(log: LogFile, name: str) -> Logged:
    """Read the whole log and return an entry: a release as `find`, or whatever has the number."""
    number = decimal(name, (1 << 63) - 1) if name else None
    if number is None:
        return find(log, name)
    found = [step.entry for step in log.walk() if step.entry.number == number]
    return found[0] if found else pick([], name, log.path, log.tip.size)


def manifests(entry: Logged) -> tuple[bytes, ...]:
    """Return what a release has shipped; nothing of any other entry."""
    return tuple(each.manifest for each in entry.packages) if isinstance(entry, Entry) else ()


def say_torn(log: LogFile) -> None:
    """Say on standard error that the log ends in an unfinished line, or in one without its line feed."""
    if log.bare:
        ending = "the last entry is complete but for its line feed, and counts; the next release adds the line feed"
        say([f"{log.path}: {ending}"])
    if log.torn:
        cut = "bytes behind the last entry are of a line that was cut while it was being written, or is being written"
        say([f"{log.path}: {log.torn} {cut} now; they are no entry, and the next release writes over them"])


@command.command()
@click.option("--against", metavar="OLDER", help="An older head, a file that holds one, an older log, or a package.")
@click.option("--proof", "proof_file", metavar="FILE", help="Verify this proof instead; no log is needed.")
@log_options
def verify(against: str | None, proof_file: str | None, chosen: Chosen) -> None:
    """Verify every entry of the log, and its head; with --against also that nothing older was changed.

    The log has to go on from its pin, too, where the product file states one.

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
    if log.pin is not None:
        click.echo(f"continues {log.pin.head}, as {log.pin.path} says")
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
    for line in words.lines(entry):
        click.echo(line)
    if against is None:
        say(["this is worth as much as the head: compare it with the published one (--against)"])


@command.command()
@click.argument("release", required=False)
@click.option("--from", "first", type=int, metavar="SIZE", help="Prove that the log continues the one of SIZE entries.")
@click.option("--size", "size", type=int, metavar="SIZE", help="In the log of SIZE entries; default the whole log.")
@log_options
def prove(release: str | None, first: int | None, size: int | None, chosen: Chosen) -> None:
    """Print a proof as JSON: that RELEASE is in the log, or with --from that the log continues an older one."""
    if (release is None) == (first is None):
        raise UsageError("give either a release or --from SIZE", hint="imgseal log --help has examples")
    log = chosen.open()
    entry = None if release is None else find_any(log, release)
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
    help="What this key has signed: releases, packages later on, trust anchor sets; imgseal key show prints it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the entries as a JSON array.")
@log_options
def show(release: str | None, key: str | None, as_json: bool, chosen: Chosen) -> None:
    """List the releases, or show one. What is shown has been verified first."""
    if release is not None and key is not None:
        raise UsageError(
            "a release and --key cannot be given together",
            hint="leave one of them out: --key lists the releases of a key",
        )
    wanted = _key_id(key) if key is not None else None
    log = chosen.open()
    if release is not None:
        entry = find_any(log, release)
        number = entry.origin if isinstance(entry, Entry) else None
        origin = None if number is None else find_any(log, str(number))
        shown = [_json(entry) if as_json else "\n".join(words.lines(entry, words.Since.of(log.tip), origin))]
    else:
        entries = (step.entry for step in log.walk() if wanted is None or wanted in step.entry.keys)
        rows = [(_json(each) if as_json else words.row(each, wanted), each.number, manifests(each)) for each in entries]
        since = words.Since.of(log.tip)  # once all is verified
        shown = [text if as_json else text + since.mark(number, packages) for text, number, packages in rows]
    say_torn(log)
    if as_json:
        click.echo("[" + ",\n".join(shown) + "]")
    else:
        for text in shown:
            click.echo(text)
    if wanted is not None:
        count = f"{len(shown)} of {log.tip.size} entries" if shown else f"none of {log.tip.size} entries"
        say([f"{count} have a signature by this key"])
        if log.older:
            unknown = "signatures that were added to their packages, and trust anchor sets that were made then"
            say([f"the first {log.older} entries are of an older format: {unknown}, are not in the log"])
    elif not shown and not as_json:
        say(["no release yet"])


@command.command()
@click.argument("release")
@click.argument("folder")
@click.option("--package", metavar="FILE", help="The release's package; default where build --out out has put it.")
@click.option("--sbom", metavar="FILE", help="A bill of materials to put beside it.")
@click.option("--variant", metavar="NAME", help="The package of this variant, where the release has several.")
@log_options
def export(
    release: str,
    folder: str,
    package: str | None,
    sbom: str | None,
    variant: str | None,
    chosen: Chosen,
) -> None:
    """Write what an auditor needs in years to come into a new FOLDER, and judge all of it first.

    The package, the product file as it was resolved, the public keys, the verdict, the proof from the log, the bill of
    materials where one is given, and the version of imgseal.
    """
    from imgseal.log.export import ExportFiles, export_release

    project = Project.load(chosen.product_file)
    log = chosen.open()
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


def _json(entry: Logged) -> str:
    return encode_entry(entry).decode("ascii")


for each in (keep_command.new, keep_command.pin, keep_command.withdraw, keep_command.surrender):
    command.add_command(each)
