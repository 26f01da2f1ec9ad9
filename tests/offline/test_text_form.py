"""What a request or response says in a message is cut to a length, and base64 and hex have sizes: RFC 4648 section 4."""

import base64

import pytest

from imgseal.errors import InputError
from imgseal.offline.text_form import decode64, encode64, hex_bytes, read_document, refuse


def said(act: object, *arguments: object) -> InputError:
    with pytest.raises(InputError) as caught:
        act(*arguments)  # type: ignore[operator]
    return caught.value


@pytest.mark.parametrize(("length", "shown"), [(1, 1), (159, 159), (160, 160), (161, 160), (5000, 160)])
def test_what_was_found_is_cut(length: int, shown: int) -> None:
    found = said(refuse, "text", "key", "expected", "a" * length).found
    assert found == "a" * length if shown == length else found == "a" * 157 + "..."
    assert len(found or "") == shown


@pytest.mark.parametrize(("length", "shown"), [(80, 80), (81, 80), (300, 80)])
def test_values_are_cut_earlier(length: int, shown: int) -> None:
    found = said(hex_bytes, "x" * length, "key", 4).found or ""
    assert found == ("x" * length if shown == length else "x" * 77 + "...")
    document = said(read_document, b'{"imgseal": "%s"}' % (b"y" * length), "signing request")
    assert document.found == ("y" * length if shown == length else "y" * 77 + "...")


@pytest.mark.parametrize("most", [1, 2, 3, 4, 5, 6, 64, 100])
def test_base64_holds_so_many_bytes(most: int) -> None:
    """Groups of three bytes: a size that is no multiple of three is not told from the next one by its length."""
    for size in range(most + 1):
        data = bytes(range(size))
        assert decode64(base64.b64encode(data).decode(), "key", most) == data
        assert encode64(data) == base64.b64encode(data).decode()
    error = said(decode64, base64.b64encode(bytes((most + 2) // 3 * 3 + 1)).decode(), "key", most)
    assert error.expected == f"at most {most} bytes"
    for text in ("A===", "A", "AAA", "AA A", "AAA\n", "AA-_"):
        assert said(decode64, text, "key", 100).expected == "RFC 4648 section 4"
    assert said(decode64, 7, "key", 100).found == "7"


def test_hex_has_one_form() -> None:
    assert hex_bytes("00ff", "key", 2) == b"\x00\xff"
    for text in ("00fF", "00f", "00ff0", "00ff00", "0 ff", "00fg", "", None, 255):
        assert said(hex_bytes, text, "key", 2).expected == "4 hex digits"


def test_one_kind_and_one_format() -> None:
    good = b'{"imgseal": "signing request", "format": 1}'
    assert read_document(good, "signing request") == {"imgseal": "signing request", "format": 1}
    for spoiled in (b"true", b"1.0", b'"1"', b"2", b"null"):
        error = said(read_document, good.replace(b"1}", spoiled + b"}"), "signing request")
        assert (error.place.key, error.expected) == ("format", "1")
    assert said(read_document, good, "signing response").found == "signing request"
    assert said(read_document, b"[]", "signing request").found == "[]"
    assert said(read_document, b"{}", "signing request").found == "nothing"
    assert said(read_document, b"{", "signing request").expected == "JSON text in ASCII"
    assert said(read_document, '{"\u00e4": 1}'.encode(), "signing request").expected == "JSON text in ASCII"
