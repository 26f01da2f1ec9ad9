"""The one error of this package: bytes that break a rule of the SUIT manifest."""

from typing import NoReturn

from imgseal.errors import InputError, Place
from imgseal.formats.cbor.strict import CborError, decode
from imgseal.values import cut


class SuitError(InputError):
    """The bytes are no envelope or manifest that can be read; `place.key` says which member."""

    usual_hint = "get the package again from its source, or make it again: imgseal build"


def refuse(where: str, message: str, expected: str | None = None, found: object = None) -> NoReturn:
    """Raise SuitError about one member."""
    text = found.hex() if isinstance(found, bytes) else str(found)
    raise SuitError(message, place=Place(key=where), expected=expected, found=None if found is None else cut(text, 80))


def decode_part(data: object, where: str, tags: frozenset[int] = frozenset()) -> object:
    """Decode a byte string that holds CBOR; everything in a manifest that is structured is wrapped in one."""
    if not isinstance(data, bytes):
        refuse(where, "this is not wrapped in a byte string", "a byte string", type(data).__name__)
    try:
        return decode(data, where, tags=tags)
    except CborError as error:
        raise SuitError(
            error.message, place=Place(key=where, offset=error.place.offset), expected=error.expected, found=error.found
        ) from None
