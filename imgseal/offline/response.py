"""The signing response, format 1: signatures for one request, and for no other. docs/format/signing-request.md."""

from imgseal.errors import in_file
from imgseal.limits import RESPONSE_BYTES
from imgseal.offline.request import Asked, Request
from imgseal.offline.text_form import base64_text, read_document, refuse, write_document
from imgseal.records import NamedTuple
from imgseal.values import array, ascii_text, hexadecimal, record

KIND = "signing response"


class Signed(NamedTuple):
    """A signature: the digest of the item (32 bytes), who signed it how, and the value."""

    digest: bytes
    asked: Asked
    value: bytes

    @property
    def algorithm(self) -> str:
        """The name of the algorithm."""
        return self.asked.algorithm

    @property
    def key_id(self) -> bytes:
        """The identifier of the key, 16 bytes."""
        return self.asked.key_id


class Response(NamedTuple):
    """The answer to the request whose SHA-256 is `request`."""

    request: bytes
    signatures: tuple[Signed, ...]


def _once(signatures: tuple[Signed, ...]) -> bool:
    return len({(signed.digest, signed.asked) for signed in signatures}) == len(signatures)


_SIGNATURE = record(
    lambda digest, algorithm, key_id, value: Signed(digest, Asked(algorithm, key_id), value),
    {"sha256": hexadecimal(32), "algorithm": ascii_text(64), "key": hexadecimal(16), "value": base64_text(4096)},
    {"sha256": "digest", "key": "key_id"},
)
_RESPONSE = record(
    Response,
    {
        "request": hexadecimal(32),
        "signatures": array(_SIGNATURE, 1, 1024, "signatures, one by a key of a thing", _once),
    },
    fixed={"imgseal": KIND, "format": 1},
)


def encode_response(response: Response) -> bytes:
    """Return the response as text."""
    return write_document(_RESPONSE.write(response))


def decode_response(data: bytes, name: str, request: Request, digest: bytes) -> Response:
    """Read a response to this request, whose SHA-256 is `digest`.

    InputError for one to another request, for a signature that was not asked for, for anything that is not exactly
    what `encode_response` writes. No signature is verified here.
    """
    with in_file(name):
        response = _RESPONSE.read(read_document(data, KIND, RESPONSE_BYTES))
        if response.request != digest:
            refuse(
                "this is the response to another request",
                "request",
                digest.hex(),
                response.request.hex(),
                "name the response to this request, or have this one signed: imgseal sign REQUEST --key KEY",
            )
        wanted = {(item.digest, asked) for item in request.items for asked in item.keys}
        for number, signed in enumerate(response.signatures):
            if (signed.digest, signed.asked) not in wanted:
                refuse(
                    "a signature that the request does not ask for",
                    f"signatures[{number}]",
                    found=f"{signed.asked.algorithm} by {signed.asked.key_id.hex()} of {signed.digest.hex()}",
                )
        if encode_response(response) != data:
            refuse("the response is not as imgseal writes it", "")
    return response
