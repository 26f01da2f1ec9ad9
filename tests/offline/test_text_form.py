"""What a request or response says in a message is cut to a length, and base64 and hex have sizes: RFC 4648 section 4."""

import base64

import pytest

from imgseal.errors import InputError
from imgseal.offline.request import decode_request
from imgseal.offline.text_form import base64_text, encode64, read_document, refuse
from imgseal.values import Document, Node, hexadecimal


def said(act: object, *arguments: object) -> InputError:
    with pytest.raises(InputError) as caught:
        act(*arguments)  # type: ignore[operator]
    return caught.value


def node(value: object) -> Node:
    return Node(Document(InputError, "hint"), value, "key")


@pytest.mark.parametrize(("length", "shown"), [(1, 1), (159, 159), (160, 160), (161, 160), (5000, 160)])
def test_what_was_found_is_cut(length: int, shown: int) -> None:
    found = said(refuse, "text", "key", "expected", "a" * length).found
    assert found == "a" * length if shown == length else found == "a" * 157 + "..."
    assert len(found or "") == shown


@pytest.mark.parametrize(("length", "shown"), [(78, 80), (79, 80), (300, 80)])
def test_values_are_cut_earlier(length: int, shown: int) -> None:
    found = said(hexadecimal(4).read, node("x" * length)).found or ""
    assert len(found) == shown
    assert found == (f'"{"x" * length}"' if length == 78 else '"' + "x" * 76 + "...")


@pytest.mark.parametrize("most", [1, 2, 3, 4, 5, 6, 64, 100])
def test_base64_holds_so_many_bytes(most: int) -> None:
    """Groups of three bytes: a size that is no multiple of three is not told from the next one by its length."""
    for size in range(most + 1):
        data = bytes(range(size))
        assert base64_text(most).read(node(base64.b64encode(data).decode())) == data
        assert encode64(data) == base64.b64encode(data).decode()
    error = said(base64_text(most).read, node(base64.b64encode(bytes((most + 2) // 3 * 3 + 1)).decode()))
    assert f"at most {most} bytes" in (error.expected or "")
    for text in ("A===", "A", "AAA", "AA A", "AAA\n", "AA-_"):
        assert "RFC 4648 section 4" in (said(base64_text(100).read, node(text)).expected or "")
    assert said(base64_text(100).read, node(7)).found == "7"


def test_hex_has_one_form() -> None:
    assert hexadecimal(2).read(node("00ff")) == b"\x00\xff"
    for text in ("00fF", "00f", "00ff0", "00ff00", "0 ff", "00fg", "", None, 255):
        assert said(hexadecimal(2).read, node(text)).expected == "4 lower-case hex digits"


def test_one_kind_and_one_format() -> None:
    good = b'{"imgseal": "signing request", "format": 1, "about": "", "items": []}'
    assert read_document(good, "signing request", 100).value["about"] == ""
    for spoiled in (b"true", b"1.0", b'"1"', b"2", b"null"):
        error = said(decode_request, good.replace(b"1,", spoiled + b","), "r.json")
        assert (error.place.key, error.expected) == ("format", "1")
    assert said(read_document, good, "signing response", 100).found == "signing request"
    assert said(read_document, b"[]", "signing request", 100).found == "[]"
    assert said(read_document, b"{}", "signing request", 100).found == "nothing"
    assert said(read_document, good, "signing request", len(good) - 1).expected == f"at most {len(good) - 1} bytes"
    for data, words in ((b"{", "not JSON"), ('{"\u00e4": 1}'.encode(), "not ASCII")):
        error = said(read_document, data, "signing request", 100)
        assert (error.message, error.expected) == ("this is no signing request", "JSON text in ASCII")
        assert words in (error.found or "")
