"""What the command writes, judged by openssl, cbor2 and pycose: this file imports nothing of imgseal.

Offsets and sizes are those of docs/format/sealed-image.md; SUIT labels those of draft-ietf-suit-manifest-37.
"""

import hashlib
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cbor2
import pytest


def run(*arguments: str, cwd: Path, status: int = 0) -> str:
    done = subprocess.run(arguments, cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout


def imgseal(*arguments: str, cwd: Path, status: int = 0) -> str:
    return run(sys.executable, "-m", "imgseal", *arguments, cwd=cwd, status=status)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("strangers")
    imgseal("demo", "demo", cwd=folder)
    return folder / "demo"


def der(signature: bytes) -> bytes:
    """ECDSA-Sig-Value of X9.62 for r and s of 32 bytes each, put together by hand."""

    def integer(raw: bytes) -> bytes:
        raw = raw.lstrip(b"\0") or b"\0"
        raw = b"\0" + raw if raw[0] & 0x80 else raw
        return b"\x02" + bytes([len(raw)]) + raw

    body = integer(signature[:32]) + integer(signature[32:])
    return b"\x30" + bytes([len(body)]) + body


def test_openssl_verifies_a_sealed_image(demo: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    openssl = tool("openssl")
    image = (demo / "out" / "motor-a.sealed.bin").read_bytes()
    (tmp_path / "statement").write_bytes(image[:384])
    (tmp_path / "signature").write_bytes(der(image[384:448]))
    key = str(demo / "keys" / "images.pub.pem")
    verify = (openssl, "dgst", "-sha256", "-verify", key, "-signature", "signature", "statement")
    assert run(*verify, cwd=tmp_path) == "Verified OK\n"
    size, link = struct.unpack_from("<II", image, 280)
    assert (len(image), link) == (1024 + size, 0x20400)
    (tmp_path / "payload").write_bytes(image[1024:])
    said = run(openssl, "dgst", "-sha256", "-r", "payload", cwd=tmp_path)
    assert said.split()[0] == image[248:280].hex()
    (tmp_path / "statement").write_bytes(image[:383] + b"\1")
    assert "Verified OK" not in run(*verify, cwd=tmp_path, status=1)


def test_cbor2_and_openssl_read_the_envelope(demo: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    openssl = tool("openssl")
    raw = (demo / "out" / "vent-drive-2.4.1-17.suit").read_bytes()
    envelope = cbor2.loads(raw)
    assert envelope.tag == 107
    wrapper = cbor2.loads(envelope.value[2])
    algorithm, digest = cbor2.loads(wrapper[0])
    assert algorithm == -16
    assert digest == hashlib.sha256(cbor2.dumps(envelope.value[3])).digest()
    block = cbor2.loads(wrapper[1])
    protected, unprotected, payload, signature = block.value
    assert (block.tag, cbor2.loads(protected), dict(unprotected), payload) == (18, {1: -9}, {}, None)
    (tmp_path / "message").write_bytes(cbor2.dumps(["Signature1", protected, b"", wrapper[0]]))
    (tmp_path / "signature").write_bytes(der(signature))
    key = str(demo / "keys" / "packages.pub.pem")
    verify = (openssl, "dgst", "-sha256", "-verify", key, "-signature", "signature", "message")
    assert run(*verify, cwd=tmp_path) == "Verified OK\n"
    manifest = cbor2.loads(envelope.value[3])
    assert (manifest[1], manifest[2], cbor2.loads(manifest[6])) == (1, 17, [2, 4, 1])
    common = cbor2.loads(manifest[3])
    assert [[part.hex() for part in identity] for identity in common[2]] == [
        ["01", "00"], ["01", "01"], ["02", "00"], ["03", "00"],
    ]  # fmt: skip
    shared = cbor2.loads(common[4])
    for index, slot in enumerate(("motor-a", "motor-b", "radio", "phrases")):
        sealed = (demo / "out" / f"{slot}.sealed.bin").read_bytes()
        code, argument, set_code, parameters = shared[8 * index : 8 * index + 4]
        assert (code, argument, set_code) == (12, index, 20)
        assert cbor2.loads(parameters[3]) == [-16, hashlib.sha256(sealed).digest()]
        assert parameters[14] == len(sealed)
        assert bytes(envelope.value[f"#{slot}"]) == sealed
    for label in (20, 23):
        assert list(manifest[label]) == [-16, hashlib.sha256(cbor2.dumps(envelope.value[label])).digest()]


def test_pycose_verifies_the_envelope(demo: Path) -> None:
    """pycose knows ES256 only, so the product file asks for that; it verifies with its own crypto library."""
    from cryptography.hazmat.primitives.serialization import load_pem_public_key
    from pycose.keys.curves import P256
    from pycose.keys.ec2 import EC2Key
    from pycose.messages.sign1message import Sign1Message

    product = demo / "imgseal.toml"
    product.write_text(product.read_text().replace('["ESP256"]', '["ES256", "ESP256"]'))
    images = [f"out/{slot}.sealed.bin" for slot in ("motor-a", "motor-b", "radio", "phrases")]
    imgseal("pack", *images, "--release", "--out", "es256", cwd=demo)
    envelope = cbor2.loads((demo / "es256" / "vent-drive-2.4.1-17.suit").read_bytes())
    wrapper = cbor2.loads(envelope.value[2])
    item = cbor2.loads(wrapper[1])
    message = Sign1Message.from_cose_obj([item.value[0], dict(item.value[1]), wrapper[0], item.value[3]], True)
    numbers = load_pem_public_key((demo / "keys" / "packages.pub.pem").read_bytes()).public_numbers()  # type: ignore[union-attr]
    message.key = EC2Key(crv=P256, x=numbers.x.to_bytes(32, "big"), y=numbers.y.to_bytes(32, "big"))  # type: ignore[union-attr]
    assert message.verify_signature()
    message.payload = wrapper[0][:-1] + bytes((wrapper[0][-1] ^ 1,))
    assert not message.verify_signature()


def test_a_signature_made_with_openssl_is_accepted(demo: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The statement is signed again by the openssl command; r and s are taken out of its DER by hand."""
    openssl = tool("openssl")
    image = (demo / "out" / "radio.sealed.bin").read_bytes()
    (tmp_path / "statement").write_bytes(image[:384])
    key = str(demo / "keys" / "images.pem")
    run(openssl, "dgst", "-sha256", "-sign", key, "-out", "signature", "statement", cwd=tmp_path)
    raw = (tmp_path / "signature").read_bytes()
    r_size = raw[3]
    r, s = raw[4 : 4 + r_size], raw[6 + r_size :]
    value = r[-32:].rjust(32, b"\0") + s[-32:].rjust(32, b"\0")
    assert value != image[384:448]
    (demo / "theirs.bin").write_bytes(image[:384] + value + image[448:])
    assert imgseal("check", "theirs.bin", cwd=demo).startswith("accepted")


def test_a_key_made_with_openssl_signs(demo: Path, tool: Callable[[str], str]) -> None:
    """PKCS#8 from the openssl command, with and without a pass phrase, opens here."""
    openssl = tool("openssl")
    run(openssl, "genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", "o.pem", cwd=demo)
    run(openssl, "pkey", "-in", "o.pem", "-pubout", "-out", "o.pub.pem", cwd=demo)
    ours = imgseal("key", "public", "o.pem", cwd=demo)
    assert ours == (demo / "o.pub.pem").read_text()


def test_facts_of_the_trade() -> None:
    """512 Mbit is 64 MiB (common practice, no source); two cores and 1 MB of internal flash hold the demo's slots."""
    assert 512 * 1024 * 1024 // 8 == 64 * 1024 * 1024
    said = subprocess.run(
        [sys.executable, "-c", "from imgseal.product.starter import product_text; print(product_text())"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    import tomllib

    product = tomllib.loads(said)
    sizes = [int(s["size"].split()[0]) for s in product["slot"].values() if s["memory"] == "internal"]
    assert all(s["size"].endswith("KiB") for s in product["slot"].values() if s["memory"] == "internal")
    assert sum(sizes) + 4 == 1024  # 4 KiB of settings lie outside the slots
    assert product["memory"]["nor"]["size"] == "512 Mbit"
    assert {c.get("core") for c in product["component"].values()} == {"cortex-m4", "cortex-m0plus", None}
