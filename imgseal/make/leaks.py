"""Finds private keys in firmware before it is sealed: signed firmware goes to everyone, and never comes back.

One pass over the payload; what a package holds beside its payloads is looked at as well. Key files are recognised by
their form, secrets of known keys byte for byte. Known bytes are not searched one by one: of every 24 bytes of the
payload the first four are looked up in a table of all words that the known ones hold. What is 27 bytes or longer has
one of its words there, wherever it lies.
"""

import hashlib
import re
from collections.abc import Iterator, Sequence

from imgseal.errors import Place, RefusedError
from imgseal.keys.known_secrets import NEEDLE_BYTES, Needle
from imgseal.make.key_forms import DER_VERSION, PEM_LABELS, KeyForm, der_key, pem_key
from imgseal.make.place import Payload
from imgseal.records import NamedTuple
from imgseal.window import ByteView, Window

Searched = Payload | Window
"""Bytes that may hold a key."""

LEAK_CODES = {
    "leak.private-key": "it holds a private key as files have it: PEM, or DER of PKCS#8, SEC1 or PKCS#1",
    "leak.published-key": "it holds the scalar of a key printed in a standard or kept in keys-example",
    "leak.signing-key": "it holds the secret of a key that signs this release",
}
"""Code -> one line of meaning; docs/keys.md has the same."""

_WORD = 4
_STRIDE = 24
_OVERLAP = 64  # what starts in one piece and ends in the next: longer than every marker and secret
_MOST = 16
_LARGE = 8 << 20  # bytes; from here on it pays to compile the pattern of first halves of words (3 ms)
# high bytes that would make half a surrogate pair of a character stand for others
_PLAIN = bytes(b - 0xD0 if 0xD8 <= b <= 0xDF else b for b in range(256))


class Leak(NamedTuple):
    """A secret in a payload: `offset` and `size` in bytes; `digest` is the SHA-256 that an allowance names it by."""

    code: str
    what: str
    offset: int
    size: int
    digest: bytes


class Scanner:
    """Looks for private keys of any kind and for the given secrets of 32 bytes."""

    __slots__ = ("_known", "_starts", "_words")

    def __init__(self, needles: tuple[Needle, ...]) -> None:
        known: list[tuple[bytes, Needle | None]] = [(f"-----BEGIN {label}-----".encode(), None) for label in PEM_LABELS]
        self._known = known + [(needle.value, needle) for needle in needles]  # hidden, also in tracebacks
        self._words: dict[int, list[int]] = {}
        for index, (value, _) in enumerate(self._known):
            for shift in range(_WORD):
                for word in memoryview(value)[shift : shift + _STRIDE].cast("I"):
                    self._words.setdefault(word, []).append(index)
        self._starts: re.Pattern[str] | None = None

    def __repr__(self) -> str:
        return f"Scanner({len(self._known)} known)"

    def find(self, payload: Searched, allowed: frozenset[str] = frozenset()) -> tuple[Leak, ...]:
        """Return what is found, in order, at most 16; what is allowed does not count, so that it hides nothing."""
        if payload.size >= _LARGE and self._starts is None:
            self._starts = _starts_of(self._known)
        words = frozenset(self._words)
        found: dict[tuple[int, str], Leak] = {}
        covered = 0
        start, carry = 0, b""
        for piece in payload.chunks():
            window = carry + piece
            sampled = memoryview(window)[: len(window) // _WORD * _WORD].cast("I")[:: _STRIDE // _WORD]
            hits: set[int] | frozenset[int] = frozenset()
            if self._starts is not None:
                starts = (match.start() for match in self._starts.finditer(_sampled_starts(window)))
                hits = words.intersection(sampled[at] for at in starts if at < len(sampled))
            elif not words.isdisjoint(sampled):
                hits = words.intersection(sampled)
            for leak in self._known_at(payload, window, start, {i for word in hits for i in self._words[word]}):
                if not is_allowed(leak, allowed):
                    found.setdefault((leak.offset, leak.what), leak)
            for match in DER_VERSION.finditer(window):
                at = start + match.start()
                form = der_key(payload.read, at) if at >= covered else None
                if form is not None:
                    leak = _leak(form, payload)
                    if not is_allowed(leak, allowed):
                        found.setdefault((leak.offset, leak.what), leak)
                    covered = form.offset + form.size
            if len(found) >= _MOST:
                break
            carry = window[-_OVERLAP:]
            start += len(window) - len(carry)
        return tuple(found[key] for key in sorted(found))[:_MOST]

    def find_in(self, content: bytes) -> tuple[Leak, ...]:
        """Return what is found in bytes that are no payload."""
        return self.find(Window.of(ByteView(content)))

    def _known_at(self, payload: Searched, window: bytes, start: int, candidates: set[int]) -> Iterator[Leak]:
        for index in sorted(candidates):
            value, needle = self._known[index]
            at = window.find(value)
            while at >= 0:
                if needle is not None:
                    code = "leak.published-key" if needle.published else "leak.signing-key"
                    what = f"{needle.form}, of {needle.whose}"
                    yield Leak(code, what, start + at, NEEDLE_BYTES, hashlib.sha256(value).digest())
                elif (form := pem_key(payload.read, start + at)) is not None:
                    yield _leak(form, payload)
                at = window.find(value, at + 1)


def is_allowed(leak: Leak, allowed: frozenset[str]) -> bool:
    """Say whether a leak may be there: `allowed` are SHA-256 digests in hex; a key that signs this release never is."""
    return leak.code != "leak.signing-key" and leak.digest.hex() in allowed


def refuse_leaks(
    leaks: tuple[Leak, ...], allowed: frozenset[str], name: str, component: str, address: int, offset: int
) -> None:
    """RefusedError for the first leak that is not allowed.

    `allowed` holds SHA-256 digests in hex; a key that signs this release is never allowed. `address` is that of the
    payload's first byte, `offset` where that byte stands in the file, counted from the file's first byte of data.
    """
    left = [leak for leak in leaks if not is_allowed(leak, allowed)]
    if not left:
        return
    leak = left[0]
    hint = "take it out, and make a new key: what was in firmware once is known"
    if leak.code != "leak.signing-key":
        hint = (
            f"if it belongs there, say so in the product file: [[component.{component}.allowed_key]] "
            f'sha256 = "{leak.digest.hex()}", reason = "..."; docs/keys.md'
        )
    place = Place(file=name, offset=offset + leak.offset, address=address + leak.offset)
    raise _refusal(left, place, "firmware without private keys", hint)


def refuse_leaks_beside(leaks: tuple[Leak, ...], member: str) -> None:
    """RefusedError for the first leak in a member of a package that is no payload: nothing allows one there."""
    if leaks:
        hint = "take it out of [text] of the product file, and make a new key: what was in there once is known"
        place = Place(key=member, offset=leaks[0].offset)
        raise _refusal(leaks, place, "a package without private keys, its texts included", hint)


def _refusal(leaks: Sequence[Leak], place: Place, expected: str, hint: str) -> RefusedError:
    leak = leaks[0]
    more = f", and {len(leaks) - 1} more" if len(leaks) > 1 else ""
    found = f"{leak.what}, {leak.size} bytes{more}"
    return RefusedError(f"{leak.code}: {LEAK_CODES[leak.code]}", place=place, expected=expected, found=found, hint=hint)


def _starts_of(known: list[tuple[bytes, Needle | None]]) -> re.Pattern[str]:
    """Return a pattern for the first two bytes of any word, as one character: that is one step through a bitmap."""
    pairs = {chr(value[at] | _PLAIN[value[at + 1]] << 8) for value, _ in known for at in range(_STRIDE)}
    return re.compile("[" + "".join(re.escape(pair) for pair in sorted(pairs)) + "]")


def _sampled_starts(window: bytes) -> str:
    """Return the first two bytes of every 24 as characters."""
    high = window[1::_STRIDE].translate(_PLAIN)
    both = bytearray(2 * len(high))
    both[0::2] = window[0::_STRIDE][: len(high)]
    both[1::2] = high
    return both.decode("utf-16-le")


def _leak(form: KeyForm, payload: Searched) -> Leak:
    digest = hashlib.sha256(payload.read(form.offset, form.size)).digest()
    return Leak("leak.private-key", form.what, form.offset, form.size, digest)
