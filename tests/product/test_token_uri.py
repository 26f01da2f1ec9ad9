"""PKCS#11 URIs: the examples of RFC 7512 section 3, and what is refused. Section numbers and examples from memory."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from workshop import product

from imgseal.errors import UsageError
from imgseal.product.read_toml import read
from imgseal.product.references import is_token_uri
from imgseal.product.token_uri import BadTokenUriError, TokenUri, parse

EXAMPLES = [
    ("pkcs11:", TokenUri()),
    ("pkcs11:object=my-pubkey;type=public", TokenUri(object="my-pubkey", type="public")),
    (
        "pkcs11:object=my-key;type=private?pin-source=file:/etc/token",
        TokenUri(object="my-key", type="private", pin_source="file:/etc/token"),
    ),
    (
        "pkcs11:token=The%20Software%20PKCS%2311%20Softtoken;manufacturer=Snake%20Oil,%20Inc.;model=1.0;object=my-certificate;type=cert;id=%69%95%3E%5C%F4%BD%EC%91;serial=?pin-source=file:/etc/token_pin",
        TokenUri(
            token="The Software PKCS#11 Softtoken",
            manufacturer="Snake Oil, Inc.",
            model="1.0",
            object="my-certificate",
            type="cert",
            id=bytes.fromhex("69953e5cf4bdec91"),
            serial="",
            pin_source="file:/etc/token_pin",
        ),
    ),
    (
        "pkcs11:object=my-sign-key;type=private?module-path=/mnt/libmypkcs11.so.1",
        TokenUri(object="my-sign-key", type="private", module_path="/mnt/libmypkcs11.so.1"),
    ),
    ("pkcs11:slot-description=Sun%20Metaslot", TokenUri(slot_description="Sun Metaslot")),
    (
        "pkcs11:library-manufacturer=Snake%20Oil,%20Inc.;library-description=Soft%20Token%20Library;library-version=1.23",
        TokenUri(
            library_manufacturer="Snake Oil, Inc.",
            library_description="Soft Token Library",
            library_version=(1, 23),
        ),
    ),
    (
        "pkcs11:token=My%20token%25%20created%20by%20Joe;library-version=3;id=%01%02%03%Ba%dd%Ca%fe%04%05%06",
        TokenUri(
            token="My token% created by Joe", library_version=(3, 0), id=bytes.fromhex("010203baddcafe040506")
        ),
    ),
    (
        "pkcs11:token=A%20name%20with%20a%20substring%20%25%3B;object=my-certificate;type=cert",
        TokenUri(token="A name with a substring %;", object="my-certificate", type="cert"),
    ),
    (
        "pkcs11:token=Name%20with%20a%20small%20A%20with%20acute:%20%C3%A1;object=my-certificate;type=cert",
        TokenUri(token="Name with a small A with acute: \u00e1", object="my-certificate", type="cert"),
    ),
]  # fmt: skip

REFUSED = [
    # two examples of section 3 that are refused here, and one that section 2.3 leaves to the vendor
    ("pkcs11:object=my-sign-key;type=private?module-name=mypkcs11", "module-name"),
    ("pkcs11:token=Software%20PKCS%2311%20softtoken;manufacturer=Snake%20Oil,%20Inc.?pin-value=the-pin", "pin-value"),
    (
        "pkcs11:token=my-token;object=my-certificate;type=cert;vendor-aaa=value-a?pin-source=file:/etc/token_pin&vendor-bbb=value-b",
        "vendor-aaa",
    ),
    ("pkcs11:token=a;pin-value=the-pin", "pin-value is not known"),
    ("pkcs11:token=a?pin-source=fd:3&pin-value=the-pin", "pin-value"),
    ("pkcs11:token=a?pin-value=the-pin;x", "has to be written as %"),
    ("pkcs11:token=a?pin-value", "not NAME=VALUE"),
    ("pkcs11:token=a;token=b", "twice"),
    ("pkcs11:?pin-source=fd:3&pin-source=fd:4", "twice"),
    ("pkcs11:token", "not NAME=VALUE"),
    ("pkcs11:token=a;", "not NAME=VALUE"),
    ("pkcs11:%74oken=a", "not NAME=VALUE"),
    ("pkcs11:Token=a", "Token is not known"),
    ("pkcs11:token=a b", "%20"),
    ("pkcs11:token=a/b", "%2F"),
    ("pkcs11:token=\u00e1", "%"),
    ("pkcs11:token=%G1", "%"),
    ("pkcs11:token=%4", "%"),
    ("pkcs11:token=%FF", "UTF-8"),
    ("pkcs11:object=%00", "control"),
    ("pkcs11:type=key", "secret-key"),
    ("pkcs11:slot-id=x", "decimal"),
    ("pkcs11:slot-id=", "decimal"),
    ("pkcs11:library-version=1.", "version"),
    ("pkcs11:object=" + "a" * 5000, "4096"),
    ("file:key.pem", "pkcs11:"),
]


@pytest.mark.parametrize(("text", "uri"), EXAMPLES)
def test_examples_of_the_rfc(text: str, uri: TokenUri) -> None:
    assert parse(text) == uri
    assert parse(str(uri)) == uri


@pytest.mark.parametrize(("text", "words"), REFUSED)
def test_refused(text: str, words: str) -> None:
    with pytest.raises(BadTokenUriError) as caught:
        parse(text)
    said = f"{caught.value} {caught.value.expected} {caught.value.hint}"
    assert words in said
    assert "the-pin" not in said


def test_unknown_query_attributes_are_ignored_by_name() -> None:
    """RFC 7512 section 2.4; vendor attributes may stand more than once."""
    uri = parse("pkcs11:token=a?vendor-bbb=1&vendor-bbb=2&x=y")
    assert (uri.token, uri.ignored) == ("a", ("vendor-bbb", "x"))
    assert str(uri) == "pkcs11:token=a"


def test_the_scheme_is_taken_in_any_case() -> None:
    assert is_token_uri("PKCS11:token=a")
    assert parse("PKCS11:token=a").token == "a"
    assert not is_token_uri("keys/pkcs11:a.pem")


@given(
    token=st.text(st.characters(min_codepoint=0x20, exclude_categories=("Cs", "Cc"))),
    identifier=st.binary(),
    module=st.text(st.characters(min_codepoint=0x20, exclude_categories=("Cs", "Cc"))),
)
def test_what_is_written_reads_back(token: str, identifier: bytes, module: str) -> None:
    uri = TokenUri(token=token, id=identifier, module_path=module)
    text = str(uri)
    if len(text) <= 4096:
        assert parse(text) == uri
        assert text.isascii()


def refused(old: str, new: str) -> UsageError:
    with pytest.raises(UsageError) as caught:
        product(lambda text: text.replace(old, new))
    return caught.value


def test_a_product_file_names_keys_in_tokens() -> None:
    uri = "pkcs11:token=release;object=images?pin-source=fd:3"
    of = product(lambda text: text.replace('images = "keys/images.pem"', f'images = "{uri}"'))
    assert of.signing["release"].images == (uri,)


@pytest.mark.parametrize(
    ("uri", "words"),
    [
        ("pkcs11:token=a?module-path=/opt/x.so", "IMGSEAL_PKCS11_MODULE"),
        ("pkcs11:token=a?pin-value=the-pin", "IMGSEAL_PIN"),
        ("pkcs11:token=a;type=public", "type=private"),
        ("pkcs11:token", "NAME=VALUE"),
    ],
)
def test_a_product_file_names_no_module_and_no_pin(uri: str, words: str) -> None:
    error = refused('images = "keys/images.pem"', f'images = "{uri}"')
    assert words in str(error)
    assert "the-pin" not in str(error)
    assert error.place.key == "signing.release.images"
    assert error.place.line is not None
    local = f'[signing.release]\nimages = "{uri}"\n'
    from imgseal.product.starter import product_text

    with pytest.raises(UsageError, match=r"PKCS#11|private key") as caught:
        read(product_text(), name="imgseal.toml", local_text=local)
    assert caught.value.place.file == "imgseal.local.toml"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('keys = ["keys/images.pub.pem"]', 'keys = ["pkcs11:token=a"]'),
        ('keys = ["keys/images.pub.pem"]', 'keys = [{ key = "pkcs11:token=a", components = ["motor"] }]'),
        ('images = ["keys-dev/images.pub.pem"]', 'images = ["pkcs11:token=a"]'),
    ],
)
def test_trust_anchors_are_files(old: str, new: str) -> None:
    assert "imgseal key public" in str(refused(old, new))
