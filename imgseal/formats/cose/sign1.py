"""COSE_Sign1 with a detached payload, as SUIT uses it.

Assemble, take apart, and the bytes that are signed. No keys here.

Two readers: `take_apart` reads what RFC 9052 allows, for people and published examples. `read_block` reads what is
judged, in its one encoding: nothing signs the unprotected header, so whatever stood there could be anybody's.
"""

from imgseal.errors import InputError, Place
from imgseal.formats.cbor.strict import CborError, Tag, decode, encode, is_integer
from imgseal.formats.cose.labels import ALG, CRIT, STRUCTURES
from imgseal.limits import BLOCK_BYTES
from imgseal.records import NamedTuple
from imgseal.values import cut

_SIGN1 = 18
_TAGS = frozenset(STRUCTURES)
_FORM = "18([<< {1: algorithm} >>, {}, nil, signature])"
_U32 = 0xFFFF_FFFF


class CoseError(InputError):
    """The bytes are no COSE structure that can be used here."""

    usual_hint = "get the package again from its source, or make it again: imgseal build"


class Sign1(NamedTuple):
    """A COSE_Sign1: its protected header as received, algorithm and signature.

    For other structures, which `structure` names, the algorithm is None and the signature empty.
    """

    structure: str
    protected: bytes
    algorithm: int | None
    signature: bytes


def to_be_signed(protected: bytes, payload: bytes) -> bytes:
    """Return the Sig_structure of a COSE_Sign1 without external data; RFC 9052 section 4.4.

    A protected header that is the empty map counts as zero-length, section 3.
    """
    return encode(["Signature1", b"" if protected == b"\xa0" else protected, b"", payload])


def assemble(algorithm: int, signature: bytes) -> bytes:
    """Return a tagged COSE_Sign1 with the algorithm in the protected header and the payload detached."""
    return encode(Tag(_SIGN1, [protected_header(algorithm), {}, None, signature]))


def protected_header(algorithm: int) -> bytes:
    """Return the protected header that names just the algorithm."""
    return encode({ALG: algorithm})


def read_block(data: bytes) -> Sign1:
    """Read an authentication block that is judged; CoseError unless it is the one that `assemble` would make.

    A tagged COSE_Sign1, the algorithm alone in the protected header and nothing in the other, at most
    limits.BLOCK_BYTES; the algorithm is a number of 32 bits.
    """
    if len(data) > BLOCK_BYTES:
        raise CoseError(
            "an authentication block is larger than any signature here",
            expected=f"at most {BLOCK_BYTES} bytes",
            found=f"{len(data)} bytes",
        )
    block = take_apart(data)
    if block.algorithm is None:
        raise CoseError("an authentication block that is no signature", expected=_FORM, found=block.structure)
    if not -_U32 - 1 <= block.algorithm <= _U32:
        raise CoseError("an algorithm of more than 32 bits", expected="a registered number", found=str(block.algorithm))
    if block.protected != protected_header(block.algorithm):
        raise CoseError(
            "the protected header holds more than the algorithm, or has another encoding",
            expected=protected_header(block.algorithm).hex(),
            found=cut(block.protected.hex(), 160),
        )
    if data != assemble(block.algorithm, block.signature):
        from imgseal.formats.cbor.diagnose import diagnose  # noqa: PLC0415 - only on the way to an error

        words = diagnose(decode(data, "authentication block", sorted_maps=False, tags=_TAGS), longest=16)
        raise CoseError("the unprotected header is not empty", expected=_FORM, found=cut(words, 160))
    return block


def take_apart(data: bytes) -> Sign1:
    """Read an authentication block; CoseError when it breaks a rule of RFC 9052 or is not tagged.

    Header maps need not be sorted: published examples are not. Nothing critical is understood here, so `crit` is
    refused; the algorithm counts only in the protected header.
    """
    try:
        value = decode(data, "authentication block", sorted_maps=False, tags=_TAGS)
    except CborError as error:
        raise CoseError(error.message, place=error.place, expected=error.expected, found=error.found) from None
    if not isinstance(value, Tag):
        raise CoseError(
            "the authentication block has no tag", expected="tag 18 (COSE_Sign1)", found=type(value).__name__
        )
    structure = STRUCTURES[value.number]
    if value.number != _SIGN1:
        return Sign1(structure, b"", None, b"")
    body = value.value
    if not isinstance(body, list) or len(body) != 4:
        raise CoseError("a COSE_Sign1 is an array of four", place=Place(offset=0))
    protected, unprotected, payload, signature = body
    if not isinstance(protected, bytes) or not isinstance(unprotected, dict) or not isinstance(signature, bytes):
        raise CoseError("a member of the COSE_Sign1 has the wrong type", expected="bstr, map, nil, bstr")
    if payload is not None:
        raise CoseError("the payload is not detached", expected="nil", found=type(payload).__name__)
    header = _header(protected)
    for label in header:
        if label in unprotected:
            raise CoseError("a header label stands in both maps", found=str(label))
    if CRIT in header or CRIT in unprotected:
        raise CoseError("a critical header that is not understood", expected="no crit header")
    algorithm = header.get(ALG)
    if not is_integer(algorithm):
        raise CoseError("the algorithm is not in the protected header", expected="label 1", found=str(algorithm))
    return Sign1(structure, protected, algorithm, signature)


def _header(protected: bytes) -> dict[object, object]:
    if not protected:
        return {}
    try:
        header = decode(protected, "protected header", sorted_maps=False)
    except CborError as error:
        raise CoseError(error.message, place=error.place, expected=error.expected, found=error.found) from None
    if not isinstance(header, dict):
        raise CoseError("the protected header is no map", found=type(header).__name__)
    return header
