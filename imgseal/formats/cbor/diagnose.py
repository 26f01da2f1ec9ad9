"""CBOR as text for people: diagnostic notation, RFC 8949 section 8.

Byte strings that hold CBOR as << >> (RFC 8610 appendix G.3).
"""

from imgseal.formats.cbor.strict import CborError, Tag, decode

_TAGS = frozenset({16, 17, 18, 96, 97, 98, 107, 111, 112, 1070})


def diagnose(value: object, *, longest: int = 64) -> str:
    """Return a value in diagnostic notation; longer byte strings than `longest` are cut and their size is said."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "null"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return (
            '"'
            + value.replace("\\", "\\\\").replace('"', '\\"').encode("unicode_escape").decode().replace("\\\\", "\\")
            + '"'
        )
    if isinstance(value, (bytes, memoryview)):
        return _bytes(bytes(value), longest)
    if isinstance(value, Tag):
        return f"{value.number}({diagnose(value.value, longest=longest)})"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{diagnose(k)}: {diagnose(v, longest=longest)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(diagnose(entry, longest=longest) for entry in value) + "]"
    return repr(value)


def _bytes(value: bytes, longest: int) -> str:
    if len(value) > 2 and value[0] >> 5 in (4, 5, 6):
        try:
            return f"<< {diagnose(decode(value, 'nested', sorted_maps=False, tags=_TAGS), longest=longest)} >>"
        except CborError:
            pass
    if len(value) > longest:
        return f"h'{value[: longest // 2].hex()}...' / {len(value)} bytes /"
    return f"h'{value.hex()}'"
