"""COSE numbers that go over the wire: tests/vectors/cose-numbers.json, and pycose's registry for those that it has."""

import base64
import hashlib
import json
from pathlib import Path

from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose import labels
from imgseal.formats.cose.kid import akp_thumbprint, thumbprint
from imgseal.keys.mldsa44 import from_seed

VECTORS = json.loads((Path(__file__).parents[2] / "vectors" / "cose-numbers.json").read_text())
ALGORITHMS, KEY, AKP = VECTORS["algorithms"], VECTORS["key"], VECTORS["akp"]


def test_names_and_numbers() -> None:
    assert {name: number for number, name in labels.ALGORITHMS.items()} == ALGORITHMS
    assert {name: number for number, name in labels.STRUCTURES.items()} == VECTORS["structures"]
    headers = {"alg": labels.ALG, "crit": labels.CRIT, "content type": labels.CONTENT_TYPE, "kid": labels.KID}
    assert headers == VECTORS["headers"]
    used = {"ES256": labels.ES256, "ESP256": labels.ESP256, "ML-DSA-44": labels.ML_DSA_44}
    assert used == {name: ALGORITHMS[name] for name in used}
    assert VECTORS["hashes"] == {"SHA-256": labels.SHA256}


def test_pycose_has_the_same() -> None:
    """It knows RFC 9053 and 9054, and nothing of RFC 9864 and 9964."""
    from pycose import algorithms, headers
    from pycose.keys import curves, keyparam, keytype

    known = {"ES256": "Es256", "ES384": "Es384", "ES512": "Es512", "EdDSA": "EdDSA", "HMAC 256/256": "HMAC256"}
    for name, theirs in known.items():
        assert getattr(algorithms, theirs).identifier == ALGORITHMS[name], name
    assert algorithms.Sha256.identifier == VECTORS["hashes"]["SHA-256"]
    for name, theirs in {"alg": "Algorithm", "crit": "Critical", "content type": "ContentType", "kid": "KID"}.items():
        assert getattr(headers, theirs).identifier == VECTORS["headers"][name], name
    assert keytype.KtyEC2.identifier == KEY["EC2"]
    assert curves.P256.identifier == KEY["P-256"]
    for name, theirs in {"kty": "KpKty", "alg": "KpAlg", "crv": "EC2KpCurve", "x": "EC2KpX", "y": "EC2KpY"}.items():
        assert getattr(keyparam, theirs).identifier == KEY[name], name


def test_thumbprints_are_over_these_members() -> None:
    x, y = bytes(range(32)), bytes(range(32, 64))
    members = {KEY["kty"]: KEY["EC2"], KEY["crv"]: KEY["P-256"], KEY["x"]: x, KEY["y"]: y}
    assert thumbprint(x, y) == hashlib.sha256(encode(members)).digest()
    public = bytes(1312)
    members = {KEY["kty"]: KEY["AKP"], KEY["alg"]: ALGORITHMS["ML-DSA-44"], KEY["public key of AKP"]: public}
    assert akp_thumbprint(public) == hashlib.sha256(encode(members)).digest()


def test_members_that_count_for_a_key_of_ml_dsa() -> None:
    """Of all sets of members that a JSON key has, one alone gives the value of the other implementation."""
    public = from_seed(bytes.fromhex(AKP["seed"])).public_key().public_bytes_raw()
    text = base64.urlsafe_b64encode(public).rstrip(b"=").decode()
    values = {"alg": "ML-DSA-44", "kty": "AKP", "pub": text, "use": "sig"}
    for chosen in range(16):
        names = [name for at, name in enumerate(sorted(values)) if chosen >> at & 1]
        json_form = json.dumps({name: values[name] for name in names}, separators=(",", ":"))
        value = base64.urlsafe_b64encode(hashlib.sha256(json_form.encode()).digest()).rstrip(b"=").decode()
        assert (value == AKP["json_thumbprint"]) == (names == AKP["json_members"]), names
