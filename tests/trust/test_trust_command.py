"""`imgseal trust`: sets that replace and revoke, what is refused, and what a device that takes them does next."""

import hashlib
import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from test_sign import add_key
from test_sign_later import replaced
from workshop import ALL, Imgseal, detached_radio, product, public_key, tree, trust_of

from imgseal.check import judge as judge_module
from imgseal.demo.firmware import code
from imgseal.formats.cose.kid import thumbprint
from imgseal.formats.trust_anchors.codec import (
    MAGIC,
    AnchorFormatError,
    AnchorSet,
    decode_update,
    encode_set,
    encode_update,
    flash_block,
    read_flash_block,
)
from imgseal.keys.anchor_set import trust_of as trust_of_set

SUIT = "out/vent-drive-2.4.1-17.suit"
KEY = ("--key", "keys/apex.pem")


@pytest.fixture
def apex(imgseal: Imgseal, project: Path) -> Path:
    """A product with an apex trust anchor, a contingency key, two keys for images, and a release in the field."""
    for name in ("keys/apex", "keys/contingency", "keys/second"):
        add_key(project, name)
    replaced(
        project,
        "[trust.images]",
        '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]',
    )
    replaced(project, 'keys = ["keys/images.pub.pem"]', 'keys = ["keys/images.pub.pem", "keys/second.pub.pem"]')
    assert imgseal("build", *ALL, "--release").status == 0
    return project


def test_the_magic_is_the_same_on_both_sides() -> None:
    assert judge_module._ANCHORS == MAGIC


def test_a_set_by_its_page(imgseal: Imgseal, apex: Path, tool: Callable[[str], str]) -> None:
    """Read by the byte tables of docs/format/trust-anchors.md alone; openssl verifies the signature."""
    said = imgseal("trust", "replace", *KEY, "--running", SUIT, "--out", "1.trust")
    assert (said.status, said.out) == (0, "1.trust: set 1, 3 keys, 0 revoked\n"), said.err
    raw = (apex / "1.trust").read_bytes()
    assert len(raw) == 148 + 3 * 88 + 128
    assert raw[:8] == b"\xd5anchors"
    assert (raw[8:10], raw[10:12], raw[12:16]) == (b"\x01\0", b"\x03\0", b"\x01\0\0\0")
    assert (raw[16], raw[17], raw[18:20]) == (1, 1, b"\0\0")
    apex_key = public_key("keys/apex")
    assert raw[52:116] == apex_key.x + apex_key.y
    assert raw[116:148] == public_key("keys/contingency").thumbprint
    images = sorted((public_key(name).key_id, name) for name in ("keys/images", "keys/second"))
    for index, (role, name) in enumerate(((1, images[0][1]), (1, images[1][1]), (2, "keys/packages"))):
        entry = raw[148 + 88 * index : 236 + 88 * index]
        key = public_key(name)
        assert (entry[0], entry[1:4], entry[4:8], entry[8:24]) == (role, bytes(3), b"\xff" * 4, key.key_id)
        assert entry[24:] == key.x + key.y
    assert raw[-128:-64] == apex_key.x + apex_key.y
    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    (apex / "signed").write_bytes(raw[:-64])
    (apex / "der").write_bytes(encode_dss_signature(int.from_bytes(raw[-64:-32]), int.from_bytes(raw[-32:])))
    command = [tool("openssl"), "dgst", "-sha256", "-verify", "keys/apex.pub.pem", "-signature", "der", "signed"]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout == "Verified OK\n"
    shown = imgseal("trust", "show", "1.trust").out
    assert "trust anchor set 1; nothing is verified here" in shown
    assert f"images    {public_key('keys/second').key_id.hex()} keys/second.pub.pem" in shown
    assert imgseal("check", "1.trust").status == 0


def test_revoked_for_good(imgseal: Imgseal, apex: Path) -> None:
    """Sealed by the second key, then the first is revoked: old packages are refused, and nothing brings it back."""
    replaced(apex, 'images = "keys/images.pem"', 'images = "keys/second.pem"')
    imgseal("build", *ALL, "--release", "--out", "next", "--set", "release.sequence=18")
    new = "next/vent-drive-2.4.1-18.suit"
    revoke = ("trust", "revoke", "keys/images.pub.pem", *KEY)
    said = imgseal(*revoke, "--running", SUIT, "--out", "1.trust")
    assert (said.status, "rules.trust-in-use" in said.err, "motor-a" in said.err) == (1, True, True)
    said = imgseal(*revoke, "--running", new, "--out", "1.trust")
    assert (said.status, "take keys/images.pub.pem out of [trust]" in said.err) == (0, True)
    imgseal("device", "new", "unit.json", "--hardware", "3")
    imgseal("device", "apply", "unit.json", new, "--out", "runs.json")
    said = imgseal("device", "apply", "runs.json", "1.trust", "--out", "sub/after.json")
    assert said.status == 0, said.err
    state = json.loads((apex / "sub/after.json").read_text())
    assert state["anchors"] == {
        "file": "../1.trust",
        "sha256": hashlib.sha256((apex / "1.trust").read_bytes()).hexdigest(),
    }
    assert state["revoked"] == [public_key("keys/images").key_id.hex()]
    shown = imgseal("device", "show", "sub/after.json").out
    assert "trusts     set 1" in shown
    assert imgseal("check", SUIT, "--device", "sub/after.json").status == 1
    assert imgseal("check", new, "--device", "sub/after.json").status == 0
    said = imgseal("rehearse", new, "--device", "sub/after.json", "--pairs", "10")
    assert (said.status, "nothing to play: the device has this release" in said.out) == (
        1,
        True,
    )  # and no key is refused
    said = imgseal("trust", "replace", *KEY, "--previous", "1.trust", "--running", new, "--out", "2.trust")
    assert said.status == 0, said.err
    assert public_key("keys/images").key_id in decode_update((apex / "2.trust").read_bytes()).anchors.revoked
    said = imgseal(
        "trust", "replace", *KEY, "--running", new, "--out", "2b.trust"
    )  # without --previous: number 1 again
    assert said.status == 0
    said = imgseal("check", "2b.trust", "--device", "sub/after.json")
    assert (said.status, "rules.revocation-undone" in said.out, "rollback.trust-number" in said.out) == (
        1,
        True,
        True,
    )


def test_by_identifier_and_from_states(imgseal: Imgseal, apex: Path) -> None:
    imgseal("device", "new", "unit.json", "--hardware", "3")
    imgseal("device", "apply", "unit.json", SUIT, "--out", "runs.json")
    second = public_key("keys/second").key_id.hex()
    for number, running in enumerate(("runs.json", "unit.json", "out/radio.sealed.bin", SUIT)):
        said = imgseal("trust", "revoke", second, *KEY, "--running", running, "--out", f"{number}.trust")
        assert said.status == 0, said.err
    first = public_key("keys/images").key_id.hex()
    for running, status in (("runs.json", 1), ("unit.json", 0), ("out/radio.sealed.bin", 1), (SUIT, 1)):
        said = imgseal("trust", "revoke", first, *KEY, "--running", running, "--out", f"{status}{running[-6:]}.trust")
        assert said.status == status, said.err


def test_contingency(imgseal: Imgseal, apex: Path) -> None:
    """A new apex trust anchor: by the contingency key only, with the factory's product file as what went before."""
    for name in ("keys/apex-2", "keys/contingency-2"):
        add_key(apex, name)
    (apex / "factory.toml").write_text((apex / "imgseal.toml").read_text())
    replaced(apex, "keys/apex.pub.pem", "keys/apex-2.pub.pem")
    replaced(apex, "keys/contingency.pub.pem", "keys/contingency-2.pub.pem")
    make = ("trust", "replace", "--running", SUIT, "--previous", "factory.toml", "--out", "1.trust", "--key")
    before = tree(apex)
    for key, expected in (
        ("keys/apex.pem", "rules.apex-change"),
        ("keys/apex-2.pem", "trust.not-by-apex"),
        ("keys/images.pem", "trust.not-by-apex"),
    ):
        said = imgseal(*make, key)
        assert (said.status, expected in said.err, tree(apex)) == (1, True, before), said.err
    assert imgseal(*make, "keys/contingency.pem").status == 0
    assert imgseal("check", "1.trust", "--product", "factory.toml").status == 0
    assert imgseal("check", "1.trust").status == 1  # judged as if the factory had written the new ones already
    said = imgseal(
        "trust",
        "replace",
        "--running",
        SUIT,
        "--previous",
        "1.trust",
        "--previous-by",
        "keys/contingency.pub.pem",
        "--out",
        "2.trust",
        "--key",
        "keys/apex-2.pem",
    )
    assert said.status == 0, said.err


def test_factory_devices_hold_their_set(imgseal: Imgseal, apex: Path) -> None:
    """The state file beside a factory image names the block of flash; a later product file does not change it."""
    (apex / "bootloader.hex").write_text(":020000040000FA\n:04000000DEADBEEFC4\n:00000001FF\n")
    text = (apex / "imgseal.toml").read_text()
    assert "[factory]" in text
    replaced(apex, 'bootloader = "firmware/bootloader.hex"', 'bootloader = "bootloader.hex"')
    start = text.index("[[factory.range]]") if "[[factory.range]]" in text else None
    if start is not None:
        current = (apex / "imgseal.toml").read_text()
        begin = current.index("[[factory.range]]")
        end = current.find("\n[", begin + 5)
        (apex / "imgseal.toml").write_text(current[:begin] + (current[end + 1 :] if end != -1 else ""))
    said = imgseal("factory", SUIT, "--without-recovery")
    assert said.status == 0, said.err
    block = (apex / "factory/device.slots/anchors.bin").read_bytes()
    held = read_flash_block(block)
    assert (held.number, len(held.anchors)) == (0, 3)
    for name in ("keys/apex-2", "keys/contingency-2"):
        add_key(apex, name)
    replaced(apex, "keys/apex.pub.pem", "keys/apex-2.pub.pem")
    replaced(apex, "keys/contingency.pub.pem", "keys/contingency-2.pub.pem")
    said = imgseal(
        "trust",
        "replace",
        "--key",
        "keys/contingency.pem",
        "--running",
        "factory/device.json",
        "--nothing-runs",
        "--out",
        "x",
    )
    assert said.status == 2
    assert imgseal("check", SUIT, "--device", "factory/device.json").status == 0
    assert "set 0" in imgseal("device", "show", "factory/device.json").out


def test_what_is_refused(imgseal: Imgseal, apex: Path) -> None:
    imgseal("trust", "replace", *KEY, "--running", SUIT, "--out", "1.trust")
    (apex / "cut.trust").write_bytes((apex / "1.trust").read_bytes()[:-1])
    before = tree(apex)
    for arguments, status, words in (
        (("replace", *KEY, "--out", "x"), 2, "what the devices run"),
        (("replace", *KEY, "--running", SUIT, "--nothing-runs", "--out", "x"), 2, "what the devices run"),
        (("replace", *KEY, "--nothing-runs", "--out", "1.trust"), 2, "never overwritten"),
        (("replace", *KEY, "--nothing-runs", "--previous", "1.trust", "--out", "1.trust"), 2, "overwrite"),
        (("replace", *KEY, "--nothing-runs", "--previous", "none.trust", "--out", "x"), 3, "cannot read"),
        (("replace", *KEY, "--nothing-runs", "--previous", "cut.trust", "--out", "x"), 3, "size"),
        (("replace", *KEY, "--nothing-runs", "--previous", SUIT, "--out", "x"), 3, "larger"),
        (("replace", *KEY, "--running", "imgseal.toml", "--out", "x"), 2, "state"),
        (("replace", "--key", "keys/apex.pub.pem", "--nothing-runs", "--out", "x"), 4, "no private key"),
        (("revoke", "00ff", *KEY, "--nothing-runs", "--out", "x"), 4, "cannot read the key"),
        (("revoke", "keys/apex.pub.pem", *KEY, "--nothing-runs", "--out", "x"), 1, "structure.trust-set"),
        (("revoke", "keys/packages.pub.pem", *KEY, "--nothing-runs", "--out", "x"), 2, "make a successor"),
        (("show", "cut.trust"), 3, "size"),
        (("show", SUIT), 3, "larger"),
    ):  # fmt: skip
        said = imgseal("trust", *arguments)
        assert (said.status, words in said.err) == (status, True), f"{arguments}: {said.err}"
        assert tree(apex) == before


def test_a_state_whose_set_was_exchanged(imgseal: Imgseal, apex: Path) -> None:
    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    imgseal("device", "new", "unit.json", "--hardware", "3")
    assert imgseal("device", "apply", "unit.json", "1.trust", "--out", "after.json").status == 0
    signed = (apex / "1.trust").read_bytes()
    (apex / "1.trust").write_bytes(signed[:-1] + bytes((signed[-1] ^ 1,)))
    said = imgseal("check", SUIT, "--device", "after.json")
    assert (said.status, "not the one that the device state file names" in said.err) == (3, True)


@pytest.mark.parametrize(
    ("old", "new", "status", "words"),
    [
        ('apex = "keys/apex.pub.pem"\n', "", 2, "a contingency key for nothing"),
        ('"keys/apex.pub.pem"', '"keys/images.pub.pem"', 2, "one key stands in two places"),
        ('"keys/apex.pub.pem"', '"keys/copy.pub.pem"', 4, "one key stands in two places"),
        ('"keys/apex.pub.pem"', '"keys/contingency.pub.pem"', 2, "one key stands in two places"),
        ('"keys/apex.pub.pem"', '"keys/none.pub.pem"', 4, "cannot read a trusted public key"),
        ('"keys/apex.pub.pem"', '"pkcs11:token=x"', 2, "judging needs no token"),
    ],
)
def test_product_file(imgseal: Imgseal, apex: Path, old: str, new: str, status: int, words: str) -> None:
    (apex / "keys/copy.pub.pem").write_bytes((apex / "keys/images.pub.pem").read_bytes())
    replaced(apex, old, new)
    said = imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "x")
    assert (said.status, words in said.err) == (status, True), said.err


def test_a_previous_set_is_verified(imgseal: Imgseal, apex: Path) -> None:
    """Numbers and revocations follow from it, so it has to be signed by who is known."""
    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    good = (apex / "1.trust").read_bytes()
    (apex / "forged.trust").write_bytes(good[:12] + b"\xfd\xff\xff\0" + good[16:])
    replace = ("trust", "replace", *KEY, "--nothing-runs", "--out", "2.trust", "--previous")
    said = imgseal(*replace, "forged.trust")
    assert (said.status, "not as it was signed" in said.err) == (3, True)
    add_key(apex, "keys/stranger")
    imgseal("trust", "replace", "--key", "keys/stranger.pem", "--nothing-runs", "--out", "x.trust")
    from workshop import signer

    who = signer("keys/stranger")
    message = good[:-128] + who.public.x + who.public.y
    (apex / "stranger.trust").write_bytes(encode_update(message, who.sign(message)))
    said = imgseal(*replace, "stranger.trust")
    assert (said.status, "signed by a key that is not known here" in said.err) == (3, True)
    assert imgseal(*replace, "1.trust").status == 0


def test_no_number_is_left(imgseal: Imgseal, apex: Path) -> None:
    """A thief of the apex key may use up its numbers; the contingency key has numbers of its own."""
    from workshop import signer

    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    held = decode_update((apex / "1.trust").read_bytes()).anchors
    thief = signer("keys/apex")
    message = encode_set(held._replace(number=(1 << 24) - 1)) + thief.public.x + thief.public.y
    (apex / "last.trust").write_bytes(encode_update(message, thief.sign(message)))
    assert imgseal("check", "last.trust").status == 0
    said = imgseal("trust", "replace", *KEY, "--nothing-runs", "--previous", "last.trust", "--out", "2.trust")
    assert (said.status, "no number left" in said.err) == (2, True)
    for name in ("keys/apex-2", "keys/contingency-2"):
        add_key(apex, name)
    replaced(apex, "keys/apex.pub.pem", "keys/apex-2.pub.pem")
    replaced(apex, "keys/contingency.pub.pem", "keys/contingency-2.pub.pem")
    said = imgseal(
        "trust", "replace", "--key", "keys/contingency.pem", "--nothing-runs", "--previous", "last.trust", "--previous-by",
        "keys/apex.pub.pem", "--out", "2.trust",
    )  # fmt: skip
    assert (said.status, "set 0 of apex trust anchor 2" in said.out) == (0, True), said.err


def test_a_state_that_does_not_say_what_runs(imgseal: Imgseal, apex: Path) -> None:
    imgseal("device", "new", "unit.json", "--hardware", "3")
    imgseal("device", "apply", "unit.json", SUIT, "--out", "runs.json")
    state = json.loads((apex / "runs.json").read_text())
    (apex / "unknown.json").write_text(json.dumps({**state, "slots": {}}))
    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    said = imgseal("device", "apply", "unknown.json", "1.trust", "--out", "x.json")
    assert (said.status, "did not run" in said.err) == (1, True)
    said = imgseal("check", "1.trust", "--device", "unknown.json")
    assert (said.status, "not run (in-use): what slot motor-a holds is not known" in said.out) == (1, True)


def _off_curve(held: AnchorSet, where: str) -> AnchorSet:
    """A set that names a point beside the curve, with the identifier that such a point would have."""
    point = held.apex[:63] + bytes([held.apex[63] ^ 1])
    if where == "apex":
        return held._replace(apex=point)
    return held._replace(anchors=(*held.anchors[1:], held.anchors[0]._replace(point=point, key_id=thumbprint(point[:32], point[32:])[:16])))  # fmt: skip


@pytest.mark.parametrize("where", ["apex", "keys["])
def test_a_held_set_with_a_key_beside_the_curve(imgseal: Imgseal, apex: Path, where: str) -> None:
    """From the factory or as an update: cannot proceed, with the file, and no traceback (SP 800-56A section 5.6.2.3)."""
    from workshop import signer

    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    imgseal("device", "new", "unit.json", "--hardware", "3")
    bad = _off_curve(decode_update((apex / "1.trust").read_bytes()).anchors, where)
    of = product()
    with pytest.raises(AnchorFormatError, match="no point of P-256"):
        trust_of_set(bad, of, trust_of(of))
    who = signer("keys/apex")
    signed = encode_set(bad) + who.public.x + who.public.y
    state = json.loads((apex / "unit.json").read_text())
    for name, data in (("block.bin", flash_block(bad)), ("bad.trust", encode_update(signed, who.sign(signed)))):
        (apex / name).write_bytes(data)
        held = {"file": name, "sha256": hashlib.sha256(data).hexdigest()}
        (apex / "held.json").write_text(json.dumps({**state, "anchors": held}))
        for arguments in (("check", SUIT, "--device", "held.json"), ("device", "apply", "held.json", SUIT, "--out", "x.json")):  # fmt: skip
            said = imgseal(*arguments)
            assert (said.status, "no point of P-256" in said.err, name in said.err) == (3, True, True), said.err
            assert where in said.err
    for words in (("trust", "show", "bad.trust"), ("trust", "replace", *KEY, "--nothing-runs", "--previous", "bad.trust", "--out", "2.trust")):  # fmt: skip
        said = imgseal(*words)
        assert (said.status, "no point of P-256" in said.err, "bad.trust" in said.err) == (3, True, True), said.err
    assert "structure.trust-set" in imgseal("check", "bad.trust").out


def test_other_commands_point_here(imgseal: Imgseal, apex: Path) -> None:
    imgseal("trust", "replace", *KEY, "--nothing-runs", "--out", "1.trust")
    for command, words in (
        (("show", "1.trust"), "imgseal trust show 1.trust"),
        (("sign", "1.trust", "--key", "keys/apex.pem", "--yes"), "imgseal trust"),
        (("check", "1.trust", "--slot", "motor-a"), "belong to sealed images"),
    ):
        said = imgseal(*command)
        assert (said.status, words in said.err) == (2, True), said.err


def test_a_detached_header_names_the_key_that_is_in_use(imgseal: Imgseal, apex: Path) -> None:
    """Its header lies in a slot of its own: a set that revokes its signer would stop the radio core."""
    text = (apex / "imgseal.toml").read_text()
    (apex / "imgseal.toml").write_text(detached_radio(text))
    data = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    (apex / "radio.bin").write_bytes(data)
    said = imgseal("build", "radio=radio.bin@0xC0000", "--release", "--out", "radio")
    assert said.status == 0, said.err
    running = ("--running", "radio/vent-drive-2.4.1-17.suit")
    first, second = (public_key(name).key_id.hex() for name in ("keys/images", "keys/second"))
    said = imgseal("trust", "revoke", first, *KEY, *running, "--out", "1.trust")
    assert (said.status, "rules.trust-in-use" in said.err, "radio" in said.err) == (1, True, True), said.err
    assert not (apex / "1.trust").exists()
    said = imgseal("trust", "revoke", second, *KEY, *running, "--out", "2.trust")
    assert said.status == 0, said.err
    (header,) = (apex / "radio").glob("radio*header*.bin")
    said = imgseal("trust", "revoke", second, *KEY, "--running", str(header), "--out", "3.trust")
    assert (said.status, "does not say where it lies" in said.err) == (2, True), said.err
    assert not (apex / "3.trust").exists()


def test_a_set_follows_the_one_that_the_log_has(imgseal: Imgseal, apex: Path) -> None:
    """Forgotten, devices with the first set would refuse the second one: in an incident nobody has time for that."""
    replaced(apex, "[signing.development]", '[log]\npath = "release.log"\n\n[signing.development]')
    assert imgseal("log", "new").status == 0
    revoke = ("trust", "revoke", "keys/images.pub.pem", *KEY, "--nothing-runs")
    assert imgseal("trust", "replace", *KEY, "--running", SUIT, "--out", "1.trust").status == 0
    before = tree(apex)
    said = imgseal(*revoke, "--out", "2.trust")
    assert (said.status, tree(apex)) == (2, before)
    assert "a trust anchor set was made before, and this one would not follow it" in said.err
    assert "expected: set 1, entry 0 of release.log\n" in said.err
    assert "Where it was sent to nobody: --previous imgseal.toml" in said.err
    assert imgseal(*revoke, "--out", "2.trust", "--previous", "1.trust").out.startswith("2.trust: set 2, ")
    assert imgseal(*revoke, "--out", "other.trust", "--previous", "imgseal.toml").out.startswith("other.trust: set 1, ")


def test_a_key_for_deliveries(imgseal: Imgseal, apex: Path) -> None:
    """It comes in a set, signs deliveries from then on, and is revoked as others are; then package keys sign them."""
    imgseal("device", "new", "d0.json", "--hardware", "3")
    imgseal("device", "apply", "d0.json", SUIT, "--out", "d1.json")
    replaced(apex, 'images = "keys/images.pem"', 'images = "keys/images.pem"\ndeliveries = "keys/deliveries.pem"')
    replaced(apex, "[trust]\n", '[trust]\ndeliveries = ["keys/deliveries.pub.pem"]\n')
    replaced(apex, "[signing.development]", '[log]\npath = "release.log"\n\n[signing.development]')
    add_key(apex, "keys/deliveries")
    assert imgseal("log", "new").status == 0
    said = imgseal("trust", "replace", *KEY, "--running", SUIT, "--out", "1.trust")
    assert (said.status, said.out) == (0, "1.trust: set 1, 4 keys, 0 revoked\n"), said.err
    assert "it has keys for deliveries: devices whose code is older than 0.3.0 refuse it" in said.err
    own = public_key("keys/deliveries")
    assert decode_update((apex / "1.trust").read_bytes()).anchors.anchors[3] == (
        3, 0xFFFF_FFFF, own.key_id, own.x + own.y,
    )  # fmt: skip
    assert f"  deliveries {own.key_id.hex()} keys/deliveries.pub.pem\n" in imgseal("trust", "show", "1.trust").out
    judged = imgseal("check", "1.trust", "--device", "d1.json")
    assert (judged.status, "1 key, 1 needed" in judged.out) == (0, True), judged.out
    logged = imgseal("log", "show", "0").out
    assert f"  deliveries {own.key_id.hex()}\n" in logged
    assert imgseal("log", "verify").status == 0
    assert imgseal("device", "apply", "d1.json", "1.trust", "--out", "d2.json").status == 0

    numbers = ("--set", "release.sequence=18", "--set", "release.version=2.5.0", "--set", "component.motor.counter=7",
               "--revision", "abcd")  # fmt: skip
    lines = (apex / "motor-b.hex").read_text().splitlines()
    data = bytearray.fromhex(lines[40][1:-2])
    data[-1] ^= 1
    lines[40] = ":" + data.hex().upper() + f"{-sum(data) & 0xFF:02X}"
    (apex / "motor-b.hex").write_text("\n".join(lines) + "\n")
    said = imgseal("build", *ALL, "--release", "--out", "two", *numbers)
    assert said.status == 0, said.err
    two = "two/vent-drive-2.5.0-18.suit"
    said = imgseal("deliver", two, "--for", "d2.json", "--out", "small.suit")
    assert said.status == 0, said.err
    assert imgseal("check", "small.suit", "--device", "d2.json").status == 0

    said = imgseal(
        "trust", "revoke", "keys/deliveries.pub.pem", *KEY, "--previous", "1.trust", "--running", SUIT, "--running", two,
        "--out", "2.trust",
    )  # fmt: skip
    assert said.status == 0, said.err
    assert "take keys/deliveries.pub.pem out of [trust]" in said.err
    assert imgseal("device", "apply", "d2.json", "2.trust", "--out", "d3.json").status == 0
    refused = imgseal("check", "small.suit", "--device", "d3.json")
    assert (refused.status, "signature.wrong-key" in refused.out) == (1, True), refused.out
    refused = imgseal("trust", "replace", *KEY, "--running", SUIT, "--out", "back.trust", "--previous", "imgseal.toml")
    assert imgseal("check", "back.trust", "--device", "d3.json").status == 1
    replaced(apex, 'deliveries = ["keys/deliveries.pub.pem"]\n', "")
    replaced(apex, '\ndeliveries = "keys/deliveries.pem"', "")
    said = imgseal("deliver", two, "--for", "d3.json", "--out", "other.suit")
    assert said.status == 0, said.err
    assert imgseal("check", "other.suit", "--device", "d3.json").status == 0
