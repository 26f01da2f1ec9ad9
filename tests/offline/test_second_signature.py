"""ESP256 and ML-DSA-44 through the commands: keys, build, seal, pack, check, show, compare, device-code."""

import json
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from second_library import holds
from workshop import ALL, BUILD_TIME, Imgseal, any_public, tree, two_algorithms, write_quantum_keys

from imgseal.demo.firmware import code, phrases
from imgseal.formats.cose.sign1 import protected_header, take_apart, to_be_signed
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.mldsa44 import MlDsa44Key
from imgseal.product.model import Product
from imgseal.product.starter import product_text

SUIT = "out/vent-drive-2.4.1-17.suit"
WITH_ADDRESSES = (*ALL[:2], "radio=radio.bin@0xC0C00", "phrases=phrases.bin@0x60080C00")


@pytest.fixture
def both(project: Path) -> Path:
    """The project with a second key for every role, and firmware that is linked for the larger header block."""
    (project / "imgseal.toml").write_text(two_algorithms(product_text()))
    write_quantum_keys(project)
    for slot, base in (("a", 0x20000), ("b", 0x70000)):
        link = base + 0xC00
        data = code(f"motor {slot}", link=link, size=6000, vectors=64, stack=0x2002_0000)
        (project / f"motor-{slot}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
    (project / "radio.bin").write_bytes(code("radio", link=0xC0C00, size=3001, vectors=48, stack=0x2002_0000))
    (project / "phrases.bin").write_bytes(phrases("phrases", 4000))
    return project


def test_key_files(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    said = imgseal("key", "new", "pq.pem", "--algorithm", "ML-DSA-44", "--no-passphrase")
    assert said.status == 0, said.err
    assert stat.S_IMODE((tmp_path / "pq.pem").stat().st_mode) == 0o600
    thumbprint = said.out.split()[-1]
    for name, what in (("pq.pem", "private"), ("pq.pub.pem", "public")):
        shown = imgseal("key", "show", name)
        assert f"{name} ({what} key, ML-DSA-44)" in shown.out
        assert f"thumbprint  {thumbprint}" in shown.out
        assert f"identifier  {thumbprint[:32]} " in shown.out
    assert imgseal("key", "public", "pq.pem").out == (tmp_path / "pq.pub.pem").read_text()
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "phrase")
    assert imgseal("key", "new", "locked.pem", "--algorithm", "ML-DSA-44").status == 0
    assert "ENCRYPTED" in (tmp_path / "locked.pem").read_text()
    assert imgseal("key", "public", "locked.pem").out == (tmp_path / "locked.pub.pem").read_text()
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "another")
    assert imgseal("key", "show", "locked.pem").status == 4
    wrong = imgseal("key", "new", "x.pem", "--algorithm", "ML-DSA-65")
    assert wrong.status == 2
    assert "ML-DSA-44" in wrong.err


def test_key_roles(imgseal: Imgseal, both: Path) -> None:
    said = imgseal("key", "show", "keys/images-pq.pem")
    assert "signs images (release)" in said.out
    assert "trusted for images (keys/images-pq.pub.pem)" in said.out


def test_build_check_show(imgseal: Imgseal, both: Path) -> None:
    """Each signature of what is written is verified here by the second library too."""
    said = imgseal("build", *WITH_ADDRESSES, "--release")
    assert said.status == 0, said.err
    checked = imgseal("check", SUIT, "out/radio.sealed.bin", "out/motor-a.sealed.bin")
    assert checked.status == 0, checked.out
    assert checked.out.count("keys/images.pub.pem, keys/images-pq.pub.pem") == 2
    assert "keys/packages.pub.pem, keys/packages-pq.pub.pem" in checked.out
    block = decode_header_block((both / "out" / "radio.sealed.bin").read_bytes())
    assert holds(raw_public("keys/images-pq"), block.statement_bytes, block.signatures[1])
    envelope = decode_envelope((both / SUIT).read_bytes())
    cose = take_apart(envelope.blocks[1])
    message = to_be_signed(protected_header(-48), envelope.digest_bytes)
    assert holds(raw_public("keys/packages-pq"), message, cose.signature)
    shown = imgseal("show", "out/radio.sealed.bin").out
    assert f"signature 0     ESP256 (-9), key {any_public('keys/images').key_id.hex()}, 64 bytes" in shown
    assert f"signature 1     ML-DSA-44 (-48), key {any_public('keys/images-pq').key_id.hex()}, 2420 bytes" in shown
    entries = json.loads(imgseal("show", "out/radio.sealed.bin", "--json").out)["signatures"]
    assert [(entry["algorithm"], len(entry["value"])) for entry in entries] == [(-9, 128), (-48, 4840)]
    assert "signature 1: COSE_Sign1, ML-DSA-44, 2420 bytes" in imgseal("show", SUIT).out
    linker = imgseal("show", "--linker").out
    assert "0x00020c00" in linker


def raw_public(name: str) -> bytes:
    key = any_public(name)
    assert isinstance(key, MlDsa44Key)
    return key.value


def test_tampered_files(imgseal: Imgseal, both: Path) -> None:
    """The whole command says no: a bit of either signature, an image that was made without the second key."""
    assert imgseal("build", *WITH_ADDRESSES, "--release").status == 0
    good = (both / "out" / "radio.sealed.bin").read_bytes()
    for at in (390, 2000):
        (both / "bad.bin").write_bytes(good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :])
        said = imgseal("check", "bad.bin")
        assert said.status == 1
        assert "signature.does-not-verify" in said.out
    text = (both / "imgseal.toml").read_text()
    lax = text.replace("[rules]\n", '[rules]\nmust_verify = ["ESP256"]\n')
    lax = lax.replace('images = ["keys/images.pem", "keys/images-pq.pem"]', 'images = "keys/images.pem"')
    (both / "imgseal.toml").write_text(lax)
    sealed = imgseal("seal", "radio.bin@0xC0C00", "--component", "radio", "--release", "--out", "one.bin")
    assert sealed.status == 0, sealed.err
    assert imgseal("check", "one.bin").status == 0
    (both / "imgseal.toml").write_text(text)
    said = imgseal("check", "one.bin")
    assert said.status == 1
    assert "trust.too-few-signatures" in said.out
    assert "ML-DSA-44" in said.out


def test_pack_and_development(imgseal: Imgseal, both: Path) -> None:
    assert imgseal("build", *WITH_ADDRESSES).status == 0
    package = "out/vent-drive-2.4.1-17-development.suit"
    assert imgseal("check", package, "--development").status == 0
    assert imgseal("check", package).status == 1
    assert imgseal("build", *WITH_ADDRESSES, "--release").status == 0
    names = [f"out/{slot}.sealed.bin" for slot in ("motor-a", "motor-b", "radio", "phrases")]
    assert imgseal("pack", *names, "--release", "--out", "again").status == 0
    assert imgseal("check", "again/vent-drive-2.4.1-17.suit").status == 0
    ours, again = (decode_envelope((both / path).read_bytes()) for path in (SUIT, "again/vent-drive-2.4.1-17.suit"))
    assert ours.manifest == again.manifest
    assert ours.blocks[0] == again.blocks[0]
    assert ours.blocks[1] != again.blocks[1]


def test_two_builds_differ_in_the_hedged_signatures_only(imgseal: Imgseal, both: Path) -> None:
    """Statements are the same; see docs/decisions/009-second-signature.md for what is promised."""
    for out in ("one", "two"):
        assert imgseal("build", *WITH_ADDRESSES, "--release", "--out", out).status == 0
    one, two = ((both / out / "motor-a.sealed.bin").read_bytes() for out in ("one", "two"))
    assert one[:448] == two[:448]
    assert one[448:2868] != two[448:2868]
    assert one[2868:] == two[2868:]
    assert int.from_bytes(one[204:212], "little") == BUILD_TIME


def test_compare_names_both_keys(imgseal: Imgseal, both: Path) -> None:
    assert imgseal("build", *WITH_ADDRESSES, "--release").status == 0
    assert imgseal("compare", SUIT, SUIT).status == 0


def replaced(project: Path, old: str, new: str) -> None:
    text = (project / "imgseal.toml").read_text()
    assert old in text
    (project / "imgseal.toml").write_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "status", "words"),
    [
        ('images = ["keys/images.pem", "keys/images-pq.pem"]', 'images = "keys/images.pem"', 4, "no signing key for ML-DSA-44, which must verify"),
        ('images = ["keys/images.pem", "keys/images-pq.pem"]', 'images = "keys/images-pq.pem"', 4, "no signing key for ESP256, which must verify"),
        ('images = ["keys/images.pem", "keys/images-pq.pem"]', 'images = ["keys/images.pem", "keys/packages.pem"]', 4, "no signing key for ML-DSA-44, which must verify"),
        ('packages = ["keys/packages.pem", "keys/packages-pq.pem"]', 'packages = "keys/packages.pem"', 4, "--algorithm ML-DSA-44"),
        ("header_block = 3072", "header_block = 1024", 2, "header_block = 3072"),
    ],
)  # fmt: skip
def test_what_the_build_refuses(imgseal: Imgseal, both: Path, old: str, new: str, status: int, words: str) -> None:
    replaced(both, old, new)
    before = tree(both)
    said = imgseal("build", *WITH_ADDRESSES, "--release")
    assert said.status == status
    assert words in said.err
    assert tree(both) == before


def test_keys_exchanged_in_the_product_file(imgseal: Imgseal, both: Path) -> None:
    """A key of the wrong role signs, and the tool's own judge refuses what it made."""
    replaced(both, '["keys/images.pem", "keys/images-pq.pem"]', '["keys/images.pem", "keys/packages-pq.pem"]')
    said = imgseal("build", *WITH_ADDRESSES, "--release")
    assert said.status == 1
    assert "trust.unknown-key" in said.err


def test_device_code(imgseal: Imgseal, both: Path, tool: Callable[[str], str]) -> None:
    """The sources are told to look for both, and hold every key; what must verify follows the product file."""
    said = imgseal("device-code", "seal")
    assert said.status == 0, said.err
    options, header = ((both / "seal" / name).read_text() for name in ("seal_options.h", "seal_config.h"))
    assert "#define SEAL_ML_DSA_44" in options
    assert "3, { SEAL_KIND_P256, SEAL_KIND_ML_DSA_44 }" in header
    for name in ("keys/images-pq", "keys/packages-pq"):
        value = raw_public(name)
        rows = "".join(
            f"    {', '.join(f'0x{byte:02X}' for byte in value[at : at + 16])},\n" for at in range(0, 1312, 16)
        )
        assert f"[SEAL_ML_DSA_44_KEY_BYTES] = {{\n{rows}}};" in header
    assert "keys-dev" not in header
    (both / "use.c").write_text(
        '#include "seal_boot.h"\n#include "seal_config.h"\n'
        "unsigned use(void);\nunsigned use(void) { return seal_product.kinds + seal_package_anchors[0].development; }\n"
    )
    for compiler in ("gcc", "clang"):
        tool(compiler)
        for source in (
            "use.c",
            "seal/seal_image.c",
            "seal/seal_boot.c",
            "seal/seal_package.c",
            "seal/seal_install.c",
            "seal/seal_trust.c",
        ):
            subprocess.run(
                [compiler, "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-Iseal", "-c", source, "-o", "x.o"],
                check=True,
            )  # fmt: skip
    for rule, listed in (
        ('["ESP256"]', "SEAL_KIND_P256, SEAL_KIND_P256"),
        ('["ML-DSA-44"]', "SEAL_KIND_ML_DSA_44, SEAL_KIND_ML_DSA_44"),
    ):
        text = (both / "imgseal.toml").read_text()
        (both / "imgseal.toml").write_text(text.replace("[rules]\n", f"[rules]\nmust_verify = {rule}\n"))
        assert imgseal("device-code", "seal").status == 0
        assert f"3, {{ {listed} }}" in (both / "seal" / "seal_config.h").read_text()
        (both / "imgseal.toml").write_text(text)


def test_the_anchor_block_holds_no_such_key(imgseal: Imgseal, both: Path) -> None:
    """Format 1 of the trust anchors holds P-256 keys."""
    from workshop import product, trust_of

    from imgseal.errors import UsageError
    from imgseal.keys.anchor_set import anchor_set

    of = product(two_algorithms)
    with pytest.raises(UsageError, match="holds no keys for ML-DSA-44, and the rules say that it must verify"):
        anchor_set(trust_of(of), of)
    lax = product(lambda text: two_algorithms(text).replace("[rules]\n", '[rules]\nmust_verify = ["ESP256"]\n'))
    assert anchor_set(trust_of(lax), lax) == anchor_set(trust_of(product()), product())


def test_the_anchor_block_leaves_no_key_for_deliveries_out(imgseal: Imgseal, both: Path) -> None:
    """One signature of a delivery is enough: without its key a device would refuse what is accepted here."""
    from workshop import product, trust_of

    from imgseal.errors import UsageError
    from imgseal.formats.trust_anchors.codec import DELIVERIES
    from imgseal.keys.anchor_set import anchor_set

    def lax(*keys: str) -> Product:
        named = ", ".join(f'"keys/{key}.pub.pem"' for key in keys)

        def edit(text: str) -> str:
            text = two_algorithms(text).replace("[rules]\n", '[rules]\nmust_verify = ["ESP256"]\n')
            return text.replace("[trust.images]", f"[trust]\ndeliveries = [{named}]\n\n[trust.images]", 1)

        return product(edit)

    of = lax("deliveries")
    assert [each.role for each in anchor_set(trust_of(of), of).anchors].count(DELIVERIES) == 1
    for keys in (("deliveries", "deliveries-pq"), ("deliveries-pq",)):
        of = lax(*keys)
        with pytest.raises(UsageError, match="one signature of a delivery is enough") as caught:
            anchor_set(trust_of(of), of)
        assert caught.value.found == "keys/deliveries-pq.pub.pem"
