"""The signing response, format 1: signatures for one request, and for no other. docs/format/signing-request.md."""

from imgseal.errors import InputError, Place
from imgseal.limits import RESPONSE_BYTES
from imgseal.offline.request import Asked, Request
from imgseal.offline.text_form import decode64, encode64, hex_bytes, read_document, refuse, write_document
from imgseal.records import NamedTuple

KIND = "signing response"
_SIGNATURE_BYTES = 4096
_SIGNATURES = 1024


class Signed(NamedTuple):
    """A signature: the digest of the item (32 bytes), who signed it how, and the value."""

    digest: bytes
    asked: Asked
    value: bytes


class Response(NamedTuple):
    """The answer to the request whose SHA-256 is `request`."""

    request: bytes
    signatures: tuple[Signed, ...]


def encode_response(response: Response) -> bytes:
    """Return the response as text."""
    return write_document(
        {
            "imgseal": KIND,
            "format": 1,
            "request": response.request.hex(),
            "signatures": [
                {
                    "sha256": signed.digest.hex(),
                    "algorithm": signed.asked.algorithm,
                    "key": signed.asked.key_id.hex(),
                    "value": encode64(signed.value),
                }
                for signed in response.signatures
            ],
        }
    )


def decode_response(data: bytes, name: str, request: Request, digest: bytes) -> Response:
    """Read a response to this request, whose SHA-256 is `digest`.

    InputError for one to another request, for a signature that was not asked for, for anything that is not exactly
    what `encode_response` writes. No signature is verified here.
    """
    try:
        response = _decode(data)
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
    except InputError as error:
        error.place = Place(file=name, key=error.place.key)
        raise
    return response


def _decode(data: bytes) -> Response:
    if len(data) > RESPONSE_BYTES:
        refuse("the response is too large", "", f"at most {RESPONSE_BYTES} bytes", str(len(data)))
    document = read_document(data, KIND)
    rows = document.get("signatures")
    if not isinstance(rows, list) or not 1 <= len(rows) <= _SIGNATURES:
        refuse("there is no signature", "signatures", f"1 to {_SIGNATURES} signatures")
    request = hex_bytes(document.get("request"), "request", 32)
    signatures = tuple(_signed(row, f"signatures[{number}]") for number, row in enumerate(rows))
    if len({(signed.digest, signed.asked) for signed in signatures}) != len(signatures):
        refuse("two signatures by one key of one thing", "signatures")
    return Response(request, signatures)


def _signed(row: object, where: str) -> Signed:
    if not isinstance(row, dict) or not isinstance(row.get("algorithm"), str):
        refuse("this is no signature", where, "sha256, algorithm, key and value")
    return Signed(
        hex_bytes(row.get("sha256"), f"{where}.sha256", 32),
        Asked(row["algorithm"], hex_bytes(row.get("key"), f"{where}.key", 16)),
        decode64(row.get("value"), f"{where}.value", _SIGNATURE_BYTES),
    )
