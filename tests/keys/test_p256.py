"""ECDSA on P-256 against published vectors and against the openssl command."""

import hashlib
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from hypothesis import given
from hypothesis import strategies as st

from imgseal.keys.p256 import ORDER, BadSignatureError, PublicKey, public_from_point, sign, split, verify
from imgseal.keys.pem import encode_public
from imgseal.keys.signer import FileSigner

# RFC 6979 appendix A.2.5, P-256 with SHA-256
SCALAR = 0xC9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721
POINT = (
    "60fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb6",
    "7903fe1008b8bc99a41ae9e95628bc64f2f1b20c2d7e9f5177a3c294d4462299",
)
SAMPLE = (
    "efd48b2aacb6a8fd1140dd9cd45e81d69d2c877b56aaf991c34d0ea84eaf3716"
    "f7cb1c942d657c41d436c7a1b6e29f65f3e900dbb9aff4064dc4ab2f843acda8"
)
TEST = (
    "f1abb023518351cd71d881567b1ea663ed3efcf6c5132b354f28d3b0b7d38367"
    "019f4113742a2b14bd25926b49c649155f267e60d3814b4c0cc84250e46f0083"
)


def rfc6979_key() -> tuple[ec.EllipticCurvePrivateKey, PublicKey]:
    private = ec.derive_private_key(SCALAR, ec.SECP256R1())
    return private, FileSigner(private, "RFC 6979").public


@pytest.mark.parametrize(("message", "signature"), [(b"sample", SAMPLE), (b"test", TEST)])
def test_rfc_6979_appendix_a_2_5_bit_for_bit(message: bytes, signature: str) -> None:
    private, public = rfc6979_key()
    assert (public.x.hex(), public.y.hex()) == POINT
    assert sign(private, message).hex() == signature
    verify(public, message, bytes.fromhex(signature))


def test_the_other_half_of_s_verifies_too() -> None:
    """COSE has no low-s rule (RFC 9053 section 2.1); RFC 6979's own "sample" has a high s."""
    _, public = rfc6979_key()
    r, s = split(bytes.fromhex(SAMPLE))
    assert s > ORDER // 2
    verify(public, b"sample", r.to_bytes(32) + (ORDER - s).to_bytes(32))


def nist_cases(file_name: str) -> list[dict[str, str]]:
    """NIST CAVP cases for P-256 with SHA-256, from the cryptography-vectors package."""
    import cryptography_vectors

    path = Path("asymmetric/ECDSA/FIPS_186-3") / file_name
    with cryptography_vectors.open_vector_file(str(path), "r") as stream:
        lines = [line.strip() for line in stream]
    cases: list[dict[str, str]] = []
    wanted = False
    for line in lines:
        if line.startswith("["):
            wanted = line == "[P-256,SHA-256]"
        elif wanted and "=" in line:
            name, value = (part.strip() for part in line.split("=", 1))
            if name == "Msg":
                cases.append({})
            cases[-1][name] = value
    return cases


def test_nist_verification_vectors() -> None:
    cases = nist_cases("SigVer.rsp")
    assert len(cases) == 15
    outcomes = []
    for case in cases:
        point = b"\x04" + bytes.fromhex(case["Qx"].zfill(64)) + bytes.fromhex(case["Qy"].zfill(64))
        signature = bytes.fromhex(case["R"].zfill(64) + case["S"].zfill(64))
        try:
            verify(public_from_point(point), bytes.fromhex(case["Msg"]), signature)
            outcomes.append(True)
        except (BadSignatureError, ValueError):
            outcomes.append(False)
    expected = [case["Result"].startswith("P") for case in cases]
    assert outcomes == expected
    assert len(set(expected)) == 2


def test_nist_signature_vectors_verify() -> None:
    cases = nist_cases("SigGen.txt")
    assert len(cases) == 15
    for case in cases:
        point = b"\x04" + bytes.fromhex(case["Qx"].zfill(64)) + bytes.fromhex(case["Qy"].zfill(64))
        signature = bytes.fromhex(case["R"].zfill(64) + case["S"].zfill(64))
        verify(public_from_point(point), bytes.fromhex(case["Msg"]), signature)


def test_fips_180_4_digests() -> None:
    """SHA-256 of "abc" and of the two-block message: FIPS 180-4 examples (values from memory, widely printed)."""
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (
        hashlib.sha256(b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq").hexdigest()
        == "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    )


@pytest.mark.parametrize("length", [0, 63, 65, 70])
def test_signature_of_wrong_length(length: int) -> None:
    with pytest.raises(BadSignatureError) as caught:
        split(bytes([1]) * length)
    assert caught.value.malformed


@pytest.mark.parametrize("value", [0, ORDER, ORDER + 1, 2**256 - 1])
@pytest.mark.parametrize("place", [0, 1])
def test_numbers_outside_the_group(value: int, place: int) -> None:
    """FIPS 186-5 section 6.4.2 step 1: r and s in 1..n-1."""
    numbers = [1, 1]
    numbers[place] = value
    with pytest.raises(BadSignatureError) as caught:
        split(numbers[0].to_bytes(32) + numbers[1].to_bytes(32))
    assert caught.value.malformed


def test_numbers_at_the_edge_are_well_formed() -> None:
    assert split((1).to_bytes(32) + (ORDER - 1).to_bytes(32)) == (1, ORDER - 1)


@pytest.mark.parametrize("change", [0, 1, 64])
def test_points_that_are_none(change: int) -> None:
    point = bytearray(b"\x04" + bytes.fromhex("".join(POINT)))
    point[change] ^= 1
    with pytest.raises(ValueError, match=r"."):
        public_from_point(bytes(point))


@given(st.binary(max_size=300), st.integers(0, 511))
def test_any_changed_bit_is_refused(message: bytes, bit: int) -> None:
    private, public = rfc6979_key()
    signature = bytearray(sign(private, message))
    verify(public, message, bytes(signature))
    signature[bit // 8] ^= 1 << bit % 8
    with pytest.raises(BadSignatureError):
        verify(public, message, bytes(signature))
    with pytest.raises(BadSignatureError):
        verify(public, message + b"\0", sign(private, message))


def test_openssl_takes_ours_and_we_take_openssl(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """The openssl command is the outside reference, in both directions."""
    openssl = tool("openssl")
    private, public = rfc6979_key()
    message = b"made here, checked there"
    r, s = split(sign(private, message))
    (tmp_path / "message").write_bytes(message)
    (tmp_path / "ours.der").write_bytes(encode_dss_signature(r, s))
    (tmp_path / "public.pem").write_bytes(encode_public(public))
    ours = subprocess.run(
        [openssl, "dgst", "-sha256", "-verify", "public.pem", "-signature", "ours.der", "message"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ours.stdout.strip() == "Verified OK"
