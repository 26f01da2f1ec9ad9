"""Heads and proofs as text: what is published, and what convinces someone who has not got the log.

A head is `SIZE:ROOT`, such as `12:9f86d0...`. A proof is one line of compact JSON; docs/format/release-log.md.
"""

from collections.abc import Sequence

from imgseal.formats.log.entry import Entry, encode_entry, read_entry
from imgseal.formats.log.errors import LogError, LogFormatError
from imgseal.formats.log.strict_json import Json, Node, encode, parse
from imgseal.formats.log.tree import (
    HASH_BYTES,
    PATH_MAX,
    consistency_holds,
    consistency_path,
    inclusion_holds,
    inclusion_path,
    leaf_hash,
    peaks_of,
    root_of,
)
from imgseal.limits import PROOF_BYTES
from imgseal.records import NamedTuple
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

    entry: Entry
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
    if not colon or number is None or len(root) != 2 * HASH_BYTES or not set(root) <= set("0123456789abcdef"):
        return None
    return Head(number, bytes.fromhex(root))


def prove_inclusion(entry: Entry, leaves: Sequence[bytes]) -> Inclusion:
    """Prove that an entry is in the log with these leaf hashes."""
    head = Head(len(leaves), root_of(peaks_of(leaves)))
    return Inclusion(entry, head, inclusion_path(leaves, entry.number))


def prove_consistency(leaves: Sequence[bytes], first: int) -> Consistency:
    """Prove that the log with these leaf hashes continues the log of the `first` of them."""
    heads = [Head(size, root_of(peaks_of(leaves[:size]))) for size in (first, len(leaves))]
    return Consistency(heads[0], heads[1], consistency_path(leaves, first) if first else ())


def encode_proof(proof: Inclusion | Consistency) -> bytes:
    """Return the text of a proof, with its line feed."""
    path = [other.hex() for other in proof.path]
    tree: Json
    if isinstance(proof, Inclusion):
        tree = {"format": _FORMAT, "proof": "inclusion", "head": str(proof.head), "path": path}
        return encode(tree)[:-1] + b',"entry":' + encode_entry(proof.entry) + b"}\n"
    tree = {"format": _FORMAT, "proof": "consistency", "first": str(proof.first), "second": str(proof.second)}
    return encode({**tree, "path": path}) + b"\n"


def decode_proof(data: bytes) -> Inclusion | Consistency:
    """Read a proof; LogFormatError where it is none. Whether it holds is for `refuse_unless_holds`."""
    if len(data) > PROOF_BYTES:
        raise LogFormatError(
            "this proof is larger than imgseal reads", expected=f"at most {PROOF_BYTES} bytes",
            found=f"{len(data)} bytes", hint="is it the right file?",
        )  # fmt: skip
    tree = parse(data, "proof")
    kind = tree.get("proof") if isinstance(tree, dict) else None
    node = Node(tree, "proof")
    proof: Inclusion | Consistency
    if kind == "consistency":
        at = node.members("format", "proof", "first", "second", "path")
        _refuse_later(at["format"])
        proof = Consistency(_head(at["first"]), _head(at["second"]), _path(at["path"]))
    else:
        at = node.members("format", "proof", "head", "path", "entry")
        _refuse_later(at["format"])
        if kind != "inclusion":
            raise at["proof"].wrong('"inclusion" or "consistency"')
        proof = Inclusion(read_entry(at["entry"]), _head(at["head"]), _path(at["path"]))
    if encode_proof(proof) != data:
        raise LogFormatError(
            "this is another encoding of a proof",
            expected="one line, as imgseal log prove writes it",
            hint="make the proof again: imgseal log prove",
        )
    return proof


def _refuse_later(node: Node) -> None:
    if node.integer(1, _U63) != _FORMAT:
        raise LogFormatError(
            "this proof is of a later format", expected=f"format {_FORMAT}", found=str(node.value),
            hint="use a newer imgseal",
        )  # fmt: skip


def _head(node: Node) -> Head:
    head = read_head(node.text(96))
    if head is None:
        raise node.wrong("SIZE:ROOT")
    return head


def _path(node: Node) -> tuple[bytes, ...]:
    return tuple(each.hexadecimal(HASH_BYTES, HASH_BYTES) for each in node.items(0, PATH_MAX))


def refuse_unless_holds(proof: Inclusion | Consistency) -> None:
    """LogError where a proof does not prove what it says."""
    if isinstance(proof, Inclusion):
        leaf = leaf_hash(encode_entry(proof.entry))
        if not inclusion_holds(leaf, proof.entry.number, proof.head.size, proof.path, proof.head.root):
            raise LogError(
                f"this proof does not hold: entry {proof.entry.number} is not shown to be in the log",
                expected=f"a path that leads to {proof.head}",
                hint="make the proof again from the log: imgseal log prove",
            )
        return
    first, second = proof.first, proof.second
    if not consistency_holds(first.size, first.root, second.size, second.root, proof.path):
        raise LogError(
            "this proof does not hold: the second log is not shown to continue the first",
            expected=f"a path that leads to {first} and {second}",
            hint="make the proof again from the log: imgseal log prove",
        )
