"""Heads and proofs as text. Source: docs/format/release-log.md; what a proof proves, RFC 9162 sections 2.1.3 and 2.1.4."""

import json
from collections.abc import Callable
from typing import Any

import naive_tree
import pytest
from log_book import book, compact

from imgseal.formats.log.entry_codec import encode_entry
from imgseal.formats.log.errors import LogError, LogFormatError
from imgseal.formats.log.proof import (
    Consistency,
    Head,
    Inclusion,
    decode_proof,
    encode_proof,
    prove_consistency,
    prove_inclusion,
    read_head,
    refuse_unless_holds,
)
from imgseal.limits import PROOF_BYTES

_, MADE = book(13)
LEAVES = [step.leaf for step in MADE]
DATA = [encode_entry(step.entry) for step in MADE]
INCLUSION = encode_proof(prove_inclusion(MADE[5].entry, LEAVES))
CONSISTENCY = encode_proof(prove_consistency(LEAVES, 6))


def test_inclusion_proof_by_the_page() -> None:
    assert compact(
        {
            "format": 1,
            "proof": "inclusion",
            "head": f"13:{naive_tree.mth(DATA).hex()}",
            "path": [each.hex() for each in naive_tree.path(5, DATA)],
            "entry": json.loads(DATA[5]),
        }
    ) + b"\n" == INCLUSION  # fmt: skip


def test_consistency_proof_by_the_page() -> None:
    assert compact(
        {
            "format": 1,
            "proof": "consistency",
            "first": f"6:{naive_tree.mth(DATA[:6]).hex()}",
            "second": f"13:{naive_tree.mth(DATA).hex()}",
            "path": [each.hex() for each in naive_tree.proof(6, DATA)],
        }
    ) + b"\n" == CONSISTENCY  # fmt: skip


def test_every_proof_is_read_back_and_holds() -> None:
    for size in range(1, 14):
        for number in range(size):
            for proof in (prove_inclusion(MADE[number].entry, LEAVES[:size]), prove_consistency(LEAVES[:size], number)):
                assert decode_proof(encode_proof(proof)) == proof
                refuse_unless_holds(proof)


@pytest.mark.parametrize("text", ["0:" + "00" * 32, "12:" + "9f" * 32, f"{2**63 - 1}:" + "00" * 32])
def test_heads(text: str) -> None:
    head = read_head(text)
    assert head is not None
    assert str(head) == text


@pytest.mark.parametrize(
    "text",
    ["", ":", "12", "12:", ":" + "00" * 32, "01:" + "00" * 32, "-1:" + "00" * 32, "+1:" + "00" * 32, "1:" + "00" * 31,
     "1:" + "0" * 63, "1:" + "00" * 33, "1:" + "AA" * 32, "1:" + "0x" * 32, "1: " + "00" * 31 + "0", "1:" + "00" * 32 + "\n",
     f"{2**63}:" + "00" * 32, "٣:" + "00" * 32, "9" * 9999 + ":" + "00" * 32],
)  # fmt: skip
def test_no_heads(text: str) -> None:
    assert read_head(text) is None


def wrong(data: bytes, change: Callable[[dict[str, Any]], object]) -> bytes:
    tree = json.loads(data)
    change(tree)
    return compact(tree) + b"\n"


OTHER = "00" * 32
LIES = [
    ("another entry", wrong(INCLUSION, lambda t: t.update(entry=json.loads(DATA[6])))),
    ("a changed entry", wrong(INCLUSION, lambda t: t["entry"].update(built=1))),
    ("another number", wrong(INCLUSION, lambda t: t["entry"].update(number=4))),
    ("a number beyond the log", wrong(INCLUSION, lambda t: t["entry"].update(number=13))),
    ("another root", wrong(INCLUSION, lambda t: t.update(head=f"13:{OTHER}"))),
    ("a smaller log", wrong(INCLUSION, lambda t: t.update(head="8" + t["head"][2:]))),
    ("a shorter path", wrong(INCLUSION, lambda t: t["path"].pop())),
    ("a longer path", wrong(INCLUSION, lambda t: t["path"].append(OTHER))),
    ("no path", wrong(INCLUSION, lambda t: t.update(path=[]))),
    ("a turned path", wrong(INCLUSION, lambda t: t["path"].reverse())),
    ("another first root", wrong(CONSISTENCY, lambda t: t.update(first=f"6:{OTHER}"))),
    ("another second root", wrong(CONSISTENCY, lambda t: t.update(second=f"13:{OTHER}"))),
    ("heads exchanged", wrong(CONSISTENCY, lambda t: t.update(first=t["second"], second=t["first"]))),
    ("another first size", wrong(CONSISTENCY, lambda t: t.update(first="5" + t["first"][1:]))),
    ("a consistency path too short", wrong(CONSISTENCY, lambda t: t["path"].pop())),
    ("a consistency path too long", wrong(CONSISTENCY, lambda t: t["path"].append(OTHER))),
    ("no consistency path", wrong(CONSISTENCY, lambda t: t.update(path=[]))),
    ("from an empty log that is none", wrong(CONSISTENCY, lambda t: t.update(first=f"0:{OTHER}", path=[]))),
]


@pytest.mark.parametrize("data", [each[1] for each in LIES], ids=[each[0] for each in LIES])
def test_what_does_not_hold_is_refused(data: bytes) -> None:
    proof = decode_proof(data)
    with pytest.raises(LogError, match="does not hold") as caught:
        refuse_unless_holds(proof)
    assert caught.value.hint
    assert caught.value.exit_status == 1


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not JSON"),
        (b"\xff\n", "not JSON"),
        (b"[]\n", "not a value"),
        (b"{}\n", "missing"),
        (INCLUSION[:-1], "another encoding"),
        (INCLUSION + b"\n", "another encoding"),
        (INCLUSION.replace(b",", b", "), "another encoding"),
        (wrong(INCLUSION, lambda t: t.update(proof="other")), "not a value"),
        (wrong(INCLUSION, lambda t: t.update(format=2)), "later format"),
        (wrong(INCLUSION, lambda t: t.update(format=2**64)), "not a value"),
        (wrong(INCLUSION, lambda t: t.update(more=1)), "unknown key"),
        (wrong(INCLUSION, lambda t: t.update(head="13")), "not a value"),
        (wrong(INCLUSION, lambda t: t.update(path=["00"])), "not a value"),
        (wrong(INCLUSION, lambda t: t.update(path=[OTHER] * 65)), "not a value"),
        (wrong(CONSISTENCY, lambda t: t.update(first=6)), "not a value"),
        (wrong(CONSISTENCY, lambda t: t.pop("path")), "missing"),
        (b" " * (PROOF_BYTES + 1), "larger than"),
    ],
)
def test_what_is_no_proof_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(LogFormatError) as caught:
        decode_proof(data)
    assert words in caught.value.message
    assert caught.value.hint


def test_a_proof_is_of_one_log() -> None:
    """The same entry in a log of another history has another path."""
    proof = prove_inclusion(MADE[3].entry, LEAVES)
    assert isinstance(proof, Inclusion)
    other = Inclusion(proof.entry, Head(13, naive_tree.mth([*DATA[:12], b"other"])), proof.path)
    with pytest.raises(LogError):
        refuse_unless_holds(other)
    assert isinstance(prove_consistency(LEAVES, 3), Consistency)
