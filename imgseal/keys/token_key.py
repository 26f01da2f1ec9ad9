"""P-256 keys inside PKCS#11 tokens: found by their URI, used to sign, and made there.

The mechanism is CKM_ECDSA over the SHA-256 digest of the message; its value is r then s, as COSE has it (PKCS#11 v2.40
current mechanisms, section 2.3.1). The token picks the nonce, so that signing twice gives two values.
"""

import hashlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from imgseal.errors import SigningKeyError, in_file
from imgseal.keys.p256 import PublicKey, public_from_point, public_of
from imgseal.keys.token import Desk, OpenToken, text_of
from imgseal.keys.token_errors import asking
from imgseal.product.token_uri import TokenUri
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.keys.hidden import HiddenText

# the curve as PKCS#11 tokens state it: the object identifier 1.2.840.10045.3.1.7, or its name (v3.0 section 2.3.3)
_CURVE = bytes.fromhex("06082a8648ce3d030107")
_CURVES = (_CURVE, b"\x13\x0aprime256v1", b"\x13\x09secp256r1")
_POINT = 65
_SHOWN = 8
_ASKED = "only P-256 keys (secp256r1, prime256v1) sign here"


class TokenSigner:
    """A private key that never leaves its token. `protection` says in words how the token keeps it."""

    __slots__ = ("_key", "_pin", "name", "protection", "public")

    def __init__(self, key: Any, pin: "HiddenText | None", public: PublicKey, protection: str, name: str) -> None:
        self._key = key
        self._pin = pin
        self.public = public
        self.protection = protection
        self.name = name

    def __repr__(self) -> str:
        return f"TokenSigner({self.name!r})"

    def sign(self, message: bytes) -> bytes:
        """Return r then s, 64 bytes; SigningKeyError in words for what the token answers."""
        from pkcs11 import Mechanism  # noqa: PLC0415 - only where there is a token

        digest = hashlib.sha256(message).digest()
        with in_file(self.name), asking("sign"):
            signature: bytes = self._key.sign(digest, mechanism=Mechanism.ECDSA, pin=self._pin)
        return signature


class MadeKey(NamedTuple):
    """A key pair that was made in a token just now; `remove` takes it out again."""

    signer: TokenSigner
    uri: TokenUri
    remove: Callable[[], None]


def open_signer(desk: Desk, module: str, uri: TokenUri, name: str) -> TokenSigner:
    """Log in, and return the signer of the one private key that fits; SigningKeyError says why there is none."""
    with in_file(name):
        if uri.type not in (None, "private"):
            raise SigningKeyError(
                "this URI names no private key",
                expected="type=private, or no type",
                found=f"type={uri.type}",
                hint="leave type out of the URI",
            )
        opened = desk.log_in(module, uri, name)
        keys = _objects(opened, "PRIVATE_KEY", label=uri.object, identifier=uri.id)
        if len(keys) != 1:
            there = keys or _objects(opened, "PRIVATE_KEY")
            raise SigningKeyError(
                "several private keys fit this URI" if keys else "no private key of this token fits this URI",
                expected="one private key",
                found="; ".join(_described(key) for key in there[:_SHOWN]) or "a token without private keys",
                hint="add id= to the URI" if keys else "correct object= or id=; imgseal key new URI makes a key",
            )
        return _signer(opened, keys[0], name)


def look_for_public(desk: Desk, module: str, uri: TokenUri, name: str) -> PublicKey | None:
    """Return the public key that fits, as far as the token shows it without PIN; None where it does not."""
    with in_file(name):
        opened = desk.look(module, uri)
        keys = _objects(opened, "PUBLIC_KEY", label=uri.object, identifier=uri.id)
        points = {_public(key) for key in keys}
        if len(points) > 1:
            raise SigningKeyError(
                "several public keys fit this URI",
                expected="one public key",
                found="; ".join(_described(key) for key in keys[:_SHOWN]),
                hint="add object= or id= to the URI",
            )
        return points.pop() if points else None


def make_key(desk: Desk, module: str, uri: TokenUri, identifier: bytes, name: str) -> MadeKey:
    """Make a P-256 pair in the token under the URI's object label: not extractable, sensitive, for signing only.

    `identifier` becomes CKA_ID. SigningKeyError where the label or identifier is taken, or the token made something
    else than was asked for; then nothing is left behind.
    """
    with in_file(name):
        opened = desk.log_in(module, uri, name, write=True)
        for kind in ("PRIVATE_KEY", "PUBLIC_KEY"):
            taken = _objects(opened, kind, label=uri.object)
            taken += _objects(opened, kind, identifier=identifier)
            if taken:
                raise SigningKeyError(
                    "the token has a key of that name already; a key is never overwritten",
                    found=_described(taken[0]),
                    hint="give another object= and id=",
                )
        public, private = _generated(opened, uri.object, identifier)

        def remove() -> None:
            for part in (private, public):
                with in_file(name), asking("remove the key that it had just made"):
                    part.destroy()

        try:
            for attribute, wanted in (("SENSITIVE", True), ("EXTRACTABLE", False), ("SIGN", True)):
                if _read(private, attribute) is not wanted:
                    raise SigningKeyError(
                        "the token does not keep the key as it was asked to",
                        expected=f"{attribute} {wanted}",
                        found=str(_read(private, attribute)),
                        hint="take another token; the key has been removed again",
                    )
            signer = _signer(opened, private, name)
        except BaseException:
            remove()
            raise
        found = TokenUri(
            token=opened.token.label,
            serial=text_of(opened.token.serial),
            object=uri.object,
            id=identifier,
            type="private",
        )
        return MadeKey(signer, found, remove)


def _generated(opened: OpenToken, label: str | None, identifier: bytes) -> tuple[Any, Any]:
    """Let the token make a pair; return its public and its private half."""
    from pkcs11 import Attribute, KeyType, MechanismFlag  # noqa: PLC0415 - only where there is a token

    nothing_else = (Attribute.EXTRACTABLE, Attribute.DECRYPT, Attribute.UNWRAP, Attribute.DERIVE)
    with asking("make a key"):
        curve = opened.session.create_domain_parameters(KeyType.EC, {Attribute.EC_PARAMS: _CURVE}, local=True)
        pair: tuple[Any, Any] = curve.generate_keypair(
            id=identifier,
            label=label,
            store=True,
            capabilities=MechanismFlag.SIGN | MechanismFlag.VERIFY,
            public_template={Attribute.PRIVATE: False, Attribute.ENCRYPT: False, Attribute.WRAP: False},
            private_template={Attribute.SENSITIVE: True, Attribute.PRIVATE: True, **dict.fromkeys(nothing_else, False)},
        )
    return pair


def _signer(opened: OpenToken, key: Any, name: str) -> TokenSigner:
    _refuse_other_curves(key)
    if _read(key, "SIGN") is False:
        raise SigningKeyError(
            "this key may not sign",
            expected="CKA_SIGN true",
            found=f"CKA_SIGN false on {_described(key)}",
            hint="take the key that was made for signing; imgseal key new URI makes one that does nothing else",
        )
    again = _read(key, "ALWAYS_AUTHENTICATE") is True
    if again and opened.pin is None:
        raise SigningKeyError(
            "this key asks for the PIN at each signature, and this token takes it at its own pad only",
            hint="take a key without CKA_ALWAYS_AUTHENTICATE",
        )
    return TokenSigner(key, opened.pin if again else None, _public_of(opened, key), _protection(key), name)


def _public_of(opened: OpenToken, key: Any) -> PublicKey:
    """Return the public key beside a private one: of the same identifier, else of the same label; else a certificate's.

    Whether it belongs to the private key shows when the first signature is verified with it.
    """
    identifier, label = _read(key, "ID"), _read(key, "LABEL")
    same = {"identifier": identifier} if identifier else {"label": label}
    points = {_public(part) for part in _objects(opened, "PUBLIC_KEY", **same)}
    if not points:
        points = {_certified(part) for part in _objects(opened, "CERTIFICATE", **same)}
    if len(points) != 1:
        raise SigningKeyError(
            "several public keys stand beside this private key" if points else "no public key stands beside this key",
            expected="a public key or certificate with the identifier of the private key",
            found=_described(key),
            hint="write one public key into the token, under the id of the private key",
        )
    return points.pop()


def _public(key: Any) -> PublicKey:
    _refuse_other_curves(key)
    point = _read(key, "EC_POINT") or b""
    if len(point) == _POINT + 2 and point[:2] == bytes((4, _POINT)):
        # the DER octet string that v2.40 asks for; some tokens leave it out
        point = point[2:]
    try:
        return public_from_point(point)
    except ValueError:
        raise SigningKeyError(
            "the token's public key is no point on P-256",
            expected="an uncompressed point in CKA_EC_POINT",
            found=f"{len(point)} bytes on {_described(key)}",
            hint="write the public key into the token again",
        ) from None


def _certified(certificate: Any) -> PublicKey:
    from cryptography.hazmat.primitives.asymmetric import ec  # noqa: PLC0415 - only where there is a certificate
    from cryptography.x509 import load_der_x509_certificate  # noqa: PLC0415

    try:
        public = load_der_x509_certificate(_read(certificate, "VALUE") or b"").public_key()
    except Exception:  # noqa: BLE001 - whatever is wrong with it, the cure is the same
        public = None
    if not isinstance(public, ec.EllipticCurvePublicKey) or public.curve.name != "secp256r1":
        raise SigningKeyError(
            "the certificate beside this key holds no P-256 key",
            expected=_ASKED,
            found=_described(certificate),
            hint="name another key, or make one: imgseal key new URI",
        )
    return public_of(public)


def _refuse_other_curves(key: Any) -> None:
    from pkcs11 import KeyType  # noqa: PLC0415 - only where there is a token

    kind = _read(key, "KEY_TYPE")
    curve = _read(key, "EC_PARAMS") if kind == KeyType.EC else None
    if curve not in _CURVES:
        words = getattr(kind, "name", str(kind)) + (f", curve {curve.hex()}" if curve else "")
        raise SigningKeyError(
            "this key of the token is not on P-256",
            expected=_ASKED,
            found=f"{_described(key)}, a key of kind {words}",
            hint="name another key, or make one: imgseal key new URI",
        )


def _objects(opened: OpenToken, kind: str, *, label: str | None = None, identifier: bytes | None = None) -> list[Any]:
    """Return the objects of a class with this label and identifier; None leaves one open."""
    from pkcs11 import Attribute, ObjectClass  # noqa: PLC0415 - only where there is a token

    wanted = {Attribute.CLASS: ObjectClass[kind], Attribute.LABEL: label, Attribute.ID: identifier}
    with asking("search its objects"):
        return list(opened.session.get_objects({key: each for key, each in wanted.items() if each is not None}))


def _protection(key: Any) -> str:
    """Say how the token keeps a key, from its attributes; what the token does not say is said too."""
    words = []
    for attribute, good, yes, no in (
        ("EXTRACTABLE", False, "not extractable", "EXTRACTABLE: it can be copied out of the token"),
        ("SENSITIVE", True, "sensitive", "not sensitive: it can be read in the clear"),
        ("LOCAL", True, "made in the token", "brought in from outside"),
    ):
        value = _read(key, attribute)
        words.append(f"{attribute.lower()} unknown" if value is None else yes if value is good else no)
    return ", ".join(words)


def _read(key: Any, attribute: str) -> Any:
    """Return the value of an attribute by its name; None where the object has none or does not show it."""
    from pkcs11 import Attribute  # noqa: PLC0415 - only where there is a token

    wanted = Attribute[attribute]
    try:
        return key[wanted]
    except Exception:  # noqa: BLE001 - whatever is wrong with it, the cure is the same
        return None


def _described(key: Any) -> str:
    identifier = _read(key, "ID") or b""
    return f"object={_read(key, 'LABEL')} id={''.join(f'%{byte:02X}' for byte in identifier)}"
