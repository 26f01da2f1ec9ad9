"""Keys that everyone knows are recognised: each point is derived again from its printed scalar."""

import re
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from imgseal.keys.pem import load_private, load_public
from imgseal.keys.published import origin_of, published_keys
from imgseal.keys.signer import FileSigner, file_signer
from imgseal.product.algorithms import ML_DSA_44, P256

EXAMPLES = Path(__file__).parents[2] / "keys-example"

# Printed private scalars: RFC 6979 A.2.5; SUIT manifest draft appendix B; SUIT firmware-encryption draft (two); COSE
# working group examples (two); RFC 7517 A.2, RFC 9421 B.1.3, RFC 5903 8.1 and the NIST worked example from memory,
# confirmed by deriving the printed public points from them.
SCALARS = {
    "RFC 6979 appendix A.2.5": "c9afa9d845ba75166b5c215767b1d6934e50c3db36e89b127b8a622b120f6721",
    "SUIT manifest draft appendix B": "0296588d909418b339d150420a3612b57fb4f631a69f224fae90cb4f3fe18973",
    "SUIT firmware-encryption draft, ES-DH example with dependency": "841aebb7b9ea6f0260be7355a24588b977d23d2ac5bf2b6b2d8379432a1fea98",
    "SUIT firmware-encryption draft, recipient kid-2": "60fe6dd6d85d5740a5349b6f91267eeac5ba81b8cb53ee249e4b4eb102c476b3",
    'COSE examples key "11"': "57c92077664146e876760c9520d054aa93c3afb04e306705db6090308507b4d3",
    "COSE examples key meriadoc": "aff907c99f9ad3aae6c4cdf21122bce2bd68b5283e6907154ad911840fa208cf",
    "RFC 9421 appendix B.1.3": "529b85f3597e90ec5b8dfed3e26352bf4af9b4debb1a29bbae77fa105a5c603b",
    "NIST ECDSA P-256 worked example": "c477f9f65c22cce20657faa5b2d1d8122336f851a508a1ed04e479c34985bf96",
    "RFC 5903 section 8.1, initiator": "c88f01f510d9ac3f70a292daa2316de544e9aab8afe84049c62a9c57862d1433",
    "RFC 5903 section 8.1, responder": "c6ef9c5d78ae012a011164acb397ce2088685d8f06bf9be0b283ab46476bee53",
    "scalar 1": f"{1:064x}",
    "scalar 2": f"{2:064x}",
    "scalar 3": f"{3:064x}",
}


@pytest.mark.parametrize("origin", list(SCALARS))
def test_printed_scalar_gives_the_listed_point(origin: str) -> None:
    private = ec.derive_private_key(int(SCALARS[origin], 16), ec.SECP256R1())
    assert origin_of(FileSigner(private, "").public) == origin


def test_no_listed_key_is_left_untested() -> None:
    named = set(published_keys().values())
    # RFC 7515 A.3 and RFC 7517 A.2: the public points from memory, on the curve; their scalars are not repeated here
    assert named - set(SCALARS) == {
        "RFC 7515 appendix A.3",
        "RFC 7517 appendix A.2",
        "keys-example/images.pem",
        "keys-example/packages.pem",
    }


@pytest.mark.parametrize("name", ["images", "packages"])
def test_example_keys_are_known(name: str) -> None:
    public = load_public((EXAMPLES / f"{name}.pub.pem").read_bytes(), name)
    private = load_private((EXAMPLES / f"{name}.pem").read_bytes(), name, lambda: b"")
    assert file_signer(private, name).public == public
    assert origin_of(public) == f"keys-example/{name}.pem"


def test_a_fresh_key_is_not_known() -> None:
    assert origin_of(FileSigner(ec.generate_private_key(ec.SECP256R1()), "").public) is None


def test_the_page_lists_every_key() -> None:
    page = (Path(__file__).parents[2] / "docs" / "format" / "published-keys.md").read_text()
    rows = re.findall(r"^\| `([0-9a-f]{32})` \| (\S+) \| (.+) \|$", page, re.MULTILINE)
    assert rows == [
        (key.key_id.hex(), kind, origin) for kind in (P256, ML_DSA_44) for key, origin in published_keys(kind).items()
    ]
