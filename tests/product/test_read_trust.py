"""Algorithms, what must verify, and key references: the rules of docs/format/product-file.md."""

import pytest
from workshop import any_signer, product, trust_of, two_algorithms

from imgseal.errors import ImgsealError, SigningKeyError, UsageError
from imgseal.keys.pem import encode_public
from imgseal.keys.trusted_keys import resolve
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text

TEXT = two_algorithms(product_text())


def rules(algorithms: str, more: str = "") -> tuple[tuple[str, ...], tuple[str, ...]]:
    text = TEXT.replace('algorithms = ["ESP256", "ML-DSA-44"]', f"algorithms = {algorithms}\n{more}")
    of = read(text, name="imgseal.toml")
    return of.rules.algorithms, of.rules.must_verify


def refused(text: str, **arguments: object) -> UsageError:
    with pytest.raises(UsageError) as caught:
        read(text, name="imgseal.toml", **arguments)  # type: ignore[arg-type]
    return caught.value


def test_all_must_verify_unless_the_file_says_fewer() -> None:
    assert rules('["ESP256"]') == (("ESP256",), ("ESP256",))
    assert rules('["ESP256", "ML-DSA-44"]') == (("ESP256", "ML-DSA-44"),) * 2
    assert rules('["ML-DSA-44", "ESP256"]') == (("ML-DSA-44", "ESP256"),) * 2
    assert rules('["ML-DSA-44"]') == (("ML-DSA-44",),) * 2
    assert rules('["ESP256", "ML-DSA-44"]', 'must_verify = "all"')[1] == ("ESP256", "ML-DSA-44")
    assert rules('["ESP256", "ML-DSA-44"]', 'must_verify = ["ESP256"]')[1] == ("ESP256",)
    assert rules('["ESP256", "ML-DSA-44"]', 'must_verify = ["ML-DSA-44"]')[1] == ("ML-DSA-44",)


def test_two_names_of_one_algorithm_count_once() -> None:
    """ES256 and ESP256 are computed alike (RFC 9053 section 2.1): one of them has to verify, under either number."""
    assert rules('["ES256", "ESP256"]')[1] == ("ES256",)
    assert rules('["ESP256", "ML-DSA-44", "ES256"]')[1] == ("ESP256", "ML-DSA-44")
    of = product(
        lambda text: two_algorithms(text).replace('["ESP256", "ML-DSA-44"]', '["ES256", "ESP256", "ML-DSA-44"]')
    )
    assert of.rules.kinds == of.rules.required == ("P-256", "ML-DSA-44")
    assert (of.rules.signs_with("P-256"), of.rules.signs_with("ML-DSA-44")) == ("ES256", "ML-DSA-44")


@pytest.mark.parametrize(
    ("algorithms", "more", "key", "words"),
    [
        ("[]", "", "rules.algorithms", "1 to 3"),
        ('["ESP256", "ESP256"]', "", "rules.algorithms", "different"),
        ('["ML-DSA-65"]', "", "rules.algorithms", "ML-DSA-44"),
        ('["HSS-LMS"]', "", "rules.algorithms", "011-hash-based-signatures.md"),
        ('["ESP256", "ML-DSA-44"]', 'must_verify = "either"', "rules.must_verify", "list of names"),
        ('["ESP256", "ML-DSA-44"]', 'must_verify = "ESP256"', "rules.must_verify", "list of names"),
        ('["ESP256", "ML-DSA-44"]', "must_verify = []", "rules.must_verify", "list of names"),
        ('["ESP256", "ML-DSA-44"]', 'must_verify = ["ES256"]', "rules.must_verify", "ESP256, ML-DSA-44"),
        ('["ESP256", "ML-DSA-44"]', 'must_verify = ["ML-DSA-44", "ESP256"]', "rules.must_verify", '"all"'),
        ('["ESP256"]', 'must_verify = ["ESP256"]', "rules.must_verify", '"all"'),
        ('["ESP256"]', 'must_verify = ["ML-DSA-44"]', "rules.must_verify", "ESP256"),
        ('["ES256", "ESP256"]', 'must_verify = ["ESP256"]', "rules.must_verify", "ES256"),
    ],
)
def test_rules_that_cannot_be(algorithms: str, more: str, key: str, words: str) -> None:
    """One meaning has one encoding: what is the same as "all" is said so."""
    text = TEXT.replace('algorithms = ["ESP256", "ML-DSA-44"]', f"algorithms = {algorithms}\n{more}")
    error = refused(text)
    assert error.place.key == key
    assert error.place.line is not None
    assert words in "\n".join(error.lines())


def test_signing_keys_are_one_or_several() -> None:
    of = read(TEXT, name="imgseal.toml")
    assert of.signing["release"].images == ("keys/images.pem", "keys/images-pq.pem")
    assert read(product_text(), name="x").signing["release"].images == ("keys/images.pem",)
    for value in ("[]", '["one"]', '["one", "one"]', '["one", 2]', "{}", '""'):
        text = TEXT.replace('images = ["keys/images.pem", "keys/images-pq.pem"]', f"images = {value}")
        assert text != TEXT
        assert refused(text).place.key == "signing.release.images"
    three = read(TEXT.replace('["keys/images.pem", ', '["keys/images.pem", "x.pem", '), name="imgseal.toml")
    assert three.signing["release"].images == ("keys/images.pem", "x.pem", "keys/images-pq.pem")
    local = read(TEXT, name="imgseal.toml", local_text='[signing.release]\nimages = ["a.pem", "b.pem"]\n')
    assert local.signing["release"] == (("a.pem", "b.pem"), ("keys/packages.pem", "keys/packages-pq.pem"), ())
    assert refused(TEXT, local_text='[signing.release]\nimages = ["a.pem"]\n').place.file == "imgseal.local.toml"


def test_three_signatures_are_all_there_is_room_for() -> None:
    keys = '"keys/images.pub.pem", "keys/images-pq.pub.pem"'
    error = refused(TEXT.replace(f"[{keys}]", f"[{keys}]\nneed = 2"))
    assert (error.place.key, error.found) == ("trust.images.need", "2 x ESP256, ML-DSA-44")


def trouble(edit: str, instead: str) -> ImgsealError:
    text = TEXT.replace(edit, instead)
    assert text != TEXT

    def public(reference: str) -> bytes:
        name = reference.removesuffix(".pub.pem").replace("copy-of-", "")
        return encode_public(any_signer(name).public)

    with pytest.raises(SigningKeyError) as caught:
        resolve(read(text, name="imgseal.toml"), public)
    return caught.value


def test_trust_anchors_fit_the_rules() -> None:
    trust_of(product(two_algorithms))
    images = '["keys/images.pub.pem", "keys/images-pq.pub.pem"]'
    error = trouble(f"keys = {images}", 'keys = ["keys/images.pub.pem"]')
    assert (error.place.key, error.found) == ("trust.images.keys", "0")
    assert "--algorithm ML-DSA-44" in str(error.hint)
    error = trouble(f"keys = {images}", 'keys = ["keys/images-pq.pub.pem"]')
    assert "--algorithm ESP256" in str(error.hint)
    error = trouble('["ESP256", "ML-DSA-44"]', '["ESP256"]')
    assert "nothing could be verified with" in error.message
    assert error.found == "keys/images-pq.pub.pem is for ML-DSA-44"
    error = trouble(
        'images = ["keys-dev/images.pub.pem", "keys-dev/images-pq.pub.pem"]', 'images = ["keys-dev/images.pub.pem"]'
    )
    assert error.place.key == "trust.development.images"
    packages = '["keys/packages.pub.pem", "keys/packages-pq.pub.pem"]'
    more = '["keys/packages.pub.pem", "keys/packages-pq.pub.pem", "keys/second.pub.pem"]\nneed = 2'
    error = trouble(packages, more)
    assert (error.place.key, error.expected) == ("trust.packages.keys", "at least 2 for ML-DSA-44 (rules.must_verify)")
    error = trouble(f"keys = {images}", 'keys = ["keys/images.pub.pem", "keys/copy-of-packages-pq.pub.pem"]')
    assert "stands in two places" in error.message


def test_the_laxer_rule_asks_for_fewer_anchors() -> None:
    of = product(
        lambda text: (
            two_algorithms(text)
            .replace("[rules]\n", '[rules]\nmust_verify = ["ESP256"]\n')
            .replace('keys = ["keys/images.pub.pem", "keys/images-pq.pub.pem"]', 'keys = ["keys/images.pub.pem"]')
        )
    )
    assert len(trust_of(of).keys) == 7


def test_at_a_desk_released_keys_may_be_missing() -> None:
    """Then they are not counted, and the judge finds what is missing."""

    def public(reference: str) -> bytes | None:
        return (
            None
            if reference.startswith("keys/")
            else encode_public(any_signer(reference.removesuffix(".pub.pem")).public)
        )

    assert len(resolve(product(two_algorithms), public).keys) == 4


def test_days_of_a_key() -> None:
    """`from` and `until` are TOML dates; the last day may be the first one."""
    old = '"keys/packages.pub.pem", '
    assert old in TEXT

    def dated(days: str) -> str:
        return TEXT.replace(old, f'{{ key = "keys/packages.pub.pem", {days} }}, ')

    entry = read(dated("from = 2026-01-01, until = 2026-01-01"), name="x").trust.packages[0]
    assert (entry.first, entry.last) == ("2026-01-01", "2026-01-01")
    assert read(dated("until = 2026-01-01"), name="x").trust.packages[0].first is None
    for days, words in (
        ("from = 2026-01-02, until = 2026-01-01", "never good"),
        ('from = "2026-01-01"', "no day"),
        ("from = 2026-01-01T00:00:00Z", "no day"),
        ("until = 20260101", "no day"),
        ("to = 2026-01-01", "no key"),
    ):
        error = refused(dated(days))
        assert error.place.key == "trust.packages.keys"
        assert words in "\n".join(error.lines())


def test_keys_and_algorithms_that_count_for_nothing() -> None:
    """`trust.uncounted` and `rules.unverified`: named, of no other role, and nothing that could be verified."""
    of = product(lambda text: text.replace("[trust.images]", '[trust]\nuncounted = ["keys/next-pq.pub.pem"]\n\n[trust.images]').replace("[rules]\n", '[rules]\nunverified = ["ML-DSA-87"]\n'))  # fmt: skip
    assert of.rules.unverified == ("ML-DSA-87",)
    trust = trust_of(of)
    assert [(key.source, key.role, key.public.kind) for key in trust.uncounted] == [("keys/next-pq.pub.pem", "uncounted", "ML-DSA-44")]  # fmt: skip
    assert trust.uncounted[0] not in trust.keys
    plain = product_text()
    for more, key, words in (
        ('uncounted = ["keys/packages.pub.pem"]', "trust.uncounted", "two places"),
        ('uncounted = ["pkcs11:object=x"]', "trust.uncounted", "public key file"),
        ("uncounted = 3", "trust.uncounted", "list of names"),
    ):
        error = refused(plain.replace("[trust.images]", f"[trust]\n{more}\n\n[trust.images]"))
        assert (error.place.key, words in error.message) == (key, True)
    for names, words in (('["ESP256"]', "can be verified"), ('["HMAC 256/256"]', "is known here"), ('["ES999"]', "is known here")):  # fmt: skip
        error = refused(plain.replace("[rules]\n", f"[rules]\nunverified = {names}\n"))
        assert (error.place.key, words in error.message) == ("rules.unverified", True)
    known = encode_public(any_signer("keys/packages").public)
    with pytest.raises(SigningKeyError, match="two places") as caught:
        resolve(of, lambda reference: known if "next" in reference else encode_public(any_signer(reference.removesuffix(".pub.pem")).public))  # fmt: skip
    assert caught.value.place.key == "trust.uncounted"


def test_a_package_has_room_for_sixteen_signatures() -> None:
    keys = ", ".join(f'"keys/{number}.pub.pem"' for number in range(9))
    error = refused(TEXT.replace('["keys/packages.pub.pem", "keys/packages-pq.pub.pem"]', f"[{keys}]\nneed = 9"))
    assert (error.place.key, error.found) == ("trust.packages.need", "9 x ESP256, ML-DSA-44")
