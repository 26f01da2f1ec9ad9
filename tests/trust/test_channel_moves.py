"""Devices of a channel: what the factory and device-code give them, and how a trust anchor set moves them.

Sources of truth: docs/format/product-file.md, "Channels"; docs/format/trust-anchors.md.
"""

from pathlib import Path

import intelhex
import pytest
from channel_product import LOG, build, make_channels, promote
from test_factory_command import line
from test_sign import add_key
from test_sign_later import replaced
from workshop import Imgseal, public_key

__all__ = ["line"]  # a fixture

RECOVERY = "recovery/vent-drive-1.0.0-1.suit"
BETA, PRODUCTION = "out-2.5.0/vent-drive-2.5.0-1.suit", "promoted/vent-drive-2.5.0-2.suit"
KEYS = {"beta": {"keys/packages", "keys/beta"}, "production": {"keys/packages"}}


@pytest.fixture
def channels(imgseal: Imgseal, line: Path) -> Path:
    """A beta and its promotion, and an apex trust anchor; the recovery image was released before there were channels."""
    path = line / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    own = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "recovery")
    assert imgseal("build", "recovery=recovery.hex", "--release", "--revision", "abcd", *own).status == 0
    make_channels(line, log=False)
    add_key(line, "keys/apex")
    replaced(line, "[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]')
    assert build(imgseal, "2.5.0") == BETA
    assert promote(imgseal, BETA).out.strip() == PRODUCTION
    return line


@pytest.mark.parametrize("channel", KEYS)
def test_the_factory_writes_the_anchors_of_the_channel(imgseal: Imgseal, channels: Path, channel: str) -> None:
    said = imgseal("factory", PRODUCTION, RECOVERY, "--channel", channel)
    assert said.status == 0, said.err
    (made,) = (channels / "factory").glob("*.hex")
    data = intelhex.IntelHex(str(made)).tobinstr(start=0xD000, size=148 + 3 * 88)
    count = int.from_bytes(data[10:12], "little")
    entries = [data[148 + 88 * n : 236 + 88 * n] for n in range(count)]
    held = {entry[8:] for entry in entries if entry[0] == 2}
    assert held == {key.key_id + key.x + key.y for key in map(public_key, KEYS[channel])}


@pytest.mark.parametrize("channel", KEYS)
def test_device_code_has_the_keys_of_the_channel(imgseal: Imgseal, channels: Path, channel: str) -> None:
    assert imgseal("device-code", "seal", "--channel", channel).status == 0
    header = (channels / "seal" / "seal_config.h").read_text()
    for name in KEYS["beta"]:
        assert (f"{name}.pub.pem" in header) is (name in KEYS[channel]), name


def test_production_gets_no_beta_from_the_factory(imgseal: Imgseal, channels: Path) -> None:
    said = imgseal("factory", BETA, RECOVERY, "--channel", "production")
    assert (said.status, "signature.wrong-key" in said.err or "no trusted key" in said.err) == (1, True), said.err
    assert not (channels / "factory").exists()


def test_a_device_state_says_its_channel_by_its_set_or_has_to_be_told(imgseal: Imgseal, channels: Path) -> None:
    assert imgseal("factory", PRODUCTION, RECOVERY, "--channel", "production").status == 0
    assert imgseal("device", "new", "unit.json").status == 0
    for command in (("check", BETA), ("gate", "out-2.5.0"), ("rehearse", BETA, "--pairs", "0")):
        said = imgseal(*command, "--device", "factory/device.json")
        assert (said.status, "signature.wrong-key" in said.out + said.err) == (1, True), (command, said)
        said = imgseal(*command, "--device", "unit.json")
        assert (said.status, "nothing says which one this device is of" in said.err) == (2, True), (command, said)
        assert imgseal(*command, "--device", "unit.json", "--channel", "production").status == 1


@pytest.mark.parametrize(("before", "after"), [("beta", "production"), ("production", "beta")])
def test_a_set_moves_a_device(imgseal: Imgseal, channels: Path, before: str, after: str) -> None:
    """From then on it takes what devices of the other channel take, without being told which one that is."""
    assert imgseal("factory", PRODUCTION, RECOVERY, "--channel", before).status == 0
    newer = build(imgseal, "2.6.0")
    of = ("--channel", before)
    assert imgseal("check", newer, "--device", "factory/device.json", *of).status == (0 if before == "beta" else 1)
    more = ("--key", "keys/apex.pem", "--running", "factory/device.json", "--out", "1.trust")
    said = imgseal("trust", "replace", "--channel", after, *more)
    assert (said.status, "follows that of the factory" in said.err) == (0, False), said.err
    again = imgseal("trust", "replace", "--channel", after, *more[:-1], "again.trust")
    assert (again.status, "this set follows that of the factory" in again.err) == (0, True), again.err
    said = imgseal("device", "apply", "factory/device.json", "1.trust", "--out", "moved.json", *of)
    assert said.status == 0, said.err
    said = imgseal("check", newer, "--device", "moved.json")
    assert said.status == (0 if after == "beta" else 1), said.out
    assert ("signature.wrong-key" in said.out) is (after == "production")
