"""What anyone could add to a released package, and a key in its text: every command that judges, and those that search."""

from pathlib import Path

import pytest
from block_cases import sign1, with_blocks
from gate_tree import PEM
from test_factory_command import PACKAGE, RECOVERY, line
from test_sign_later import replaced
from workshop import ALL, Imgseal, any_signer, cose_block, repacked

from imgseal.formats.cose.sign1 import assemble, take_apart
from imgseal.formats.suit import labels
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest

__all__ = ["line"]  # a fixture


@pytest.mark.parametrize(
    ("what", "code"), [("unprotected", "structure.envelope"), ("strangers", "trust.idle-block"), ("algorithm", "trust.idle-block")]
)  # fmt: skip
def test_every_command_refuses_it(imgseal: Imgseal, line: Path, what: str, code: str) -> None:
    raw = (line / PACKAGE).read_bytes()
    envelope = decode_envelope(raw)
    own = envelope.blocks[0]
    bad = {
        "unprotected": (sign1(b"\xa1\x01\x28", {-70000: bytes(3000)}, take_apart(own).signature),),
        "strangers": (own, *(cose_block(f"stranger {n}", envelope.digest_bytes, -9) for n in range(15))),
        "algorithm": (own, assemble(-50, bytes(4627))),
    }[what]
    (line / "out").joinpath("bad.suit").write_bytes(with_blocks(raw, *bad))
    assert imgseal("device", "new", "unit.json", "--hardware", "3").status == 0
    for arguments in (
        ("check", "out/bad.suit"),
        ("factory", "out/bad.suit", RECOVERY),
        ("device", "apply", "unit.json", "out/bad.suit", "--out", "x.json"),
        ("rehearse", "out/bad.suit", "--pairs", "2"),
        ("sign", "out/bad.suit", "--key", "keys/packages.pem", "--out", "x.suit", "--yes"),
        ("gate", "out", "--fresh"),
    ):
        said = imgseal(*arguments)
        assert (said.status, code in said.out + said.err) == (1, True), (arguments, said.out, said.err)
    assert not (line / "x.json").exists()
    assert not (line / "x.suit").exists()
    assert imgseal("show", "out/bad.suit").status == 0
    (line / "out" / "bad.suit").unlink()
    assert imgseal("gate", "out", "--fresh").status == 0
    if what == "algorithm":
        replaced(line, "[rules]\n", '[rules]\nunverified = ["ML-DSA-87"]\n')
        (line / "named.suit").write_bytes(with_blocks(raw, *bad))
        said = imgseal("check", "named.suit")
        assert (said.status, "block 1 is by ML-DSA-87" in said.out) == (0, True), said.out


def test_build_signs_with_a_key_of_tomorrow_only_where_it_is_named(imgseal: Imgseal, line: Path) -> None:
    """[signing.release] has a second key that nothing trusts yet."""
    from test_sign import add_key

    add_key(line, "keys/next")
    text = (line / "imgseal.toml").read_text()
    before, release = text.split("[signing.release]", 1)
    release = release.replace('packages = "keys/packages.pem"', 'packages = ["keys/packages.pem", "keys/next.pem"]', 1)
    (line / "imgseal.toml").write_text(before + "[signing.release]" + release)
    said = imgseal("build", *ALL, "--release", "--out", "two")
    assert (said.status, "trust.idle-block" in said.err, "trust.uncounted" in said.err) == (1, True, True), said.err
    replaced(line, "[trust.images]", '[trust]\nuncounted = ["keys/next.pub.pem"]\n\n[trust.images]')
    said = imgseal("build", *ALL, "--release", "--out", "two")
    assert said.status == 0, said.err
    said = imgseal("check", "two/vent-drive-2.4.1-17.suit")
    assert (said.status, "block 1 is by keys/next.pub.pem" in said.out or "block 0 is" in said.out) == (0, True)
    replaced(
        line,
        'packages = ["keys/packages.pem", "keys/next.pem"]',
        'packages = ["keys/packages.pem", "keys/next.pub.pem"]',
    )
    said = imgseal("build", *ALL, "--release", "--sign-later", "--out", "three")
    assert said.status == 0, said.err
    request = next(Path("three").glob("*.request.json"))
    assert imgseal("sign", str(request), "--key", "keys/next.pem", "--out", "r.json", "--yes").status == 0
    sealed = [f"{slot.split('-')[0]}=three/{slot}.sealed.bin" for slot in ("motor-a", "motor-b", "radio", "phrases")]
    said = imgseal("finish", str(request), *sealed, "--response", "r.json", "--out", "three")
    assert said.status == 0, said.err
    assert Path("three/vent-drive-2.4.1-17.suit").read_bytes() == Path("two/vent-drive-2.4.1-17.suit").read_bytes()
    assert "nothing, and may sign packages" in imgseal("key", "show", "keys/next.pub.pem").out
    assert "trust.uncounted: " in imgseal("doctor").out


def test_a_private_key_in_the_text_of_a_package(imgseal: Imgseal, line: Path) -> None:
    """It is not signed by build; in a package from elsewhere the gate and the report find it."""
    replaced(line, "[text]\n", f'[text]\nmodel = """\n{PEM.decode()}"""\n')
    text = (line / "imgseal.toml").read_text()
    (line / "imgseal.toml").write_text(
        "\n".join(row for row in text.split("\n") if not row.startswith('model = "') or '"""' in row)
    )
    said = imgseal("build", *ALL, "--release", "--out", "two")
    assert (said.status, "leak.private-key" in said.err, "text" in said.err) == (1, True, True), said.err
    assert not (line / "two").exists()


def test_the_gate_reads_all_of_a_package(imgseal: Imgseal, line: Path) -> None:
    raw = (line / PACKAGE).read_bytes()
    envelope = decode_envelope(raw)
    content = b"\xa1\x62en\xa1\x02" + b"\x78" + bytes([len(PEM)]) + PEM
    assert len(PEM) < 256

    def edit(data: bytes) -> bytes:
        manifest = decode_manifest(data)
        return encode_manifest(manifest._replace(members={**manifest.members, labels.TEXT: wrapped_digest(content)}))

    told = repacked(raw, edit, severed=lambda members: {**members, labels.TEXT: content}, signers=any_signer)
    (line / "out" / "told.suit").write_bytes(told)
    assert imgseal("check", "out/told.suit").status == 0
    said = imgseal("gate", "out", "--fresh")
    assert (said.status, "leak.private-key" in said.out, "text" in said.out) == (1, True, True)
    said = imgseal("report", "out/told.suit", "--format", "json", "--out", "told.json")
    assert said.status in (0, 1), said.err
    assert '"slot": "text"' in (line / "told.json").read_text()
    assert envelope.blocks
