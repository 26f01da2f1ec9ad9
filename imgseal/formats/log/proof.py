"""Heads and proofs as text: what is published, and what convinces someone who has not got the log.

A head is `SIZE:ROOT`, such as `12:9f86d0...`. A proof is one line of compact JSON; docs/format/release-log.md.
"""

from collections.abc import Sequence

from imgseal.formats.log import tree
from imgseal.formats.log.entry import Logged
from imgseal.formats.log.entry_codec import ENTRY, encode_entry
from imgseal.formats.log.errors import DOCUMENT, LogError, LogFormatError, compact
from imgseal.limits import PROOF_BYTES
from imgseal.records import NamedTuple
from imgseal.values import Kind, Node, array, hexadecimal, record
from imgseal.versions import decimal

_FORMAT = 1
_U63 = (1 << 63) - 1


class Head(NamedTuple):
    """What a log is known by: how many entries it has, and the root of their tree."""

    size: int
    root: bytes

    def __str__(self) -> str:
        return f"{self.size}:{self.root.hex()}"


class Inclusion(NamedTuple):
    """A proof that an entry is in the log with this head."""

    entry: Logged
    head: Head
    path: tuple[bytes, ...]


class Consistency(NamedTuple):
    """A proof that the log with the head `second` continues the log with the head `first`."""

    first: Head
    second: Head
    path: tuple[bytes, ...]


def read_head(text: str) -> Head | None:
    """Read `SIZE:ROOT`; None for anything else."""
    size, colon, root = text.partition(":")
    number = decimal(size, _U63) if size else None
    if not colon or number is None or len(root) != 2 * tree.HASH_BYTES or not set(root) <= set("0123456789abcdef"):
        return None
    return Head(number, bytes.fromhex(root))


def prove_inclusion(entry: Logged, leaves: Sequence[bytes]) -> Inclusion:
    """Prove that an entry is in the log with these leaf hashes."""
    head = Head(len(leaves), tree.root_of(tree.peaks_of(leaves)))
    return Inclusion(entry, head, tree.inclusion_path(leaves, entry.number))


def prove_consistency(leaves: Sequence[bytes], first: int) -> Consistency:
    """Prove that the log with these leaf hashes continues the log of the `first` of them."""
    heads = [Head(size, tree.root_of(tree.peaks_of(leaves[:size]))) for size in (first, len(leaves))]
    return Consistency(heads[0], heads[1], tree.consistency_path(leaves, first) if first else ())


def _read_head(node: Node) -> Head:
    head = read_head(node.ascii(96))
    if head is None:
        node.refuse("SIZE:ROOT")
    return head


_HEAD = Kind(_read_head, str)
_PATH = array(hexadecimal(tree.HASH_BYTES), 0, tree.PATH_MAX)
_INCLUSION = record(
    Inclusion, {"head": _HEAD, "path": _PATH, "entry": ENTRY}, fixed={"format": _FORMAT, "proof": "inclusion"}
)
_CONSISTENCY = record(
    Consistency, {"first": _HEAD, "second": _HEAD, "path": _PATH}, fixed={"format": _FORMAT, "proof": "consistency"}
)


def encode_proof(proof: Inclusion | Consistency) -> bytes:
    """Return the text of a proof, with its line feed."""
    members = _INCLUSION.write(proof) if isinstance(proof, Inclusion) else _CONSISTENCY.write(proof)
    return compact(members) + b"\n"


def decode_proof(data: bytes) -> Inclusion | Consistency:
    """Read a proof; LogFormatError where it is none. Whether it holds is for `refuse_unless_holds`."""
    if len(data) > PROOF_BYTES:
        raise LogFormatError(
            "this proof is larger than imgseal reads", expected=f"at most {PROOF_BYTES} bytes",
            found=f"{len(data)} bytes", hint="is it the right file?",
        )  # fmt: skip
    node = DOCUMENT.node(data, "proof", "proof", unique=False)
    said = node.value if isinstance(node.value, dict) else {}
    if type(number := said.get("format")) is int and _FORMAT < number <= _U63:
        raise LogFormatError(
            "this proof is of a later format", expected=f"format {_FORMAT}", found=str(number),
            hint="use a newer imgseal",
        )  # fmt: skip
    proof: Inclusion | Consistency
    proof = _CONSISTENCY.read(node) if said.get("proof") == "consistency" else _INCLUSION.read(node)
    if encode_proof(proof) != data:
        raise LogFormatError(
            "this is another encoding of a proof",
            expected="one line, as imgseal log prove writes it",
            hint="make the proof again: imgseal log prove",
        )
    return proof


def refuse_unless_holds(proof: Inclusion | Consistency) -> None:
    """LogError where a proof does not prove what it says."""
    if isinstance(proof, Inclusion):
        entry, head = proof.entry, proof.head
        holds = tree.inclusion_holds(
            tree.leaf_hash(encode_entry(entry)), entry.number, head.size, proof.path, head.root
        )
        what, end = f"entry {entry.number} is not shown to be in the log", str(head)
    else:
        first, second = proof.first, proof.second
        holds = tree.consistency_holds(first.size, first.root, second.size, second.root, proof.path)
        what, end = "the second log is not shown to continue the first", f"{first} and {second}"
    if not holds:
        raise LogError(
            f"this proof does not hold: {what}",
            expected=f"a path that leads to {end}",
            hint="make the proof again from the log: imgseal log prove",
        )
