"""Products with a history: releases that raise counters, need others, exchange keys, leave parts out, and a log of all."""

import os
import random
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from workshop import ALL, Imgseal, private_key, public_key

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, fresh
from imgseal.keys.pem import encode_private, encode_public
from imgseal.product.write_toml import write_toml
from imgseal.rehearse.apply import apply
from imgseal.window import Bytes, ByteView
from imgseal.workspace.project import Project

MOTOR, RADIO, PHRASES = ALL[:2], ALL[2:3], ALL[3:]


class Made(NamedTuple):
    """A release: the number of its entry, its product file as it was then, and its package by variant."""

    entry: int
    version: str
    product_file: str
    packages: Mapping[str, str]


class Unit(NamedTuple):
    """A simulated device: which product file it was made by, for which variant, and what it has come to."""

    product_file: str
    variant: str
    state: DeviceState
    slots: Mapping[str, Bytes]

    def after(self, package: str) -> "Unit | str":
        """The device after a package, or the code of the first finding that it refuses it for."""
        project = Project.load(self.product_file, (), self.variant or None)
        context = Context(project.product, project.trust(), self.state, self.slots)
        applied = apply(context, ByteView(Path(package).read_bytes()))
        if not applied.verdict.accepted:
            return applied.verdict.findings[0].code
        slots = {name: ByteView(content) for name, content in applied.slots.items()}
        return self._replace(state=applied.state, slots=slots)


def new_unit(product_file: str, variant: str) -> Unit:
    """A device as it leaves the factory without firmware."""
    product = Project.load(product_file, (), variant or None).product
    return Unit(product_file, variant, fresh(product)._replace(hardware=product.hardware[0], fresh=False), {})


def write_key(name: str) -> None:
    path = Path(f"{name}.pem")
    path.write_bytes(encode_private(private_key(name), None))
    path.chmod(0o600)
    path.with_suffix(".pub.pem").write_bytes(encode_public(public_key(name)))


def make_world(imgseal: Imgseal, seed: int, count: int, *, variants: bool = False) -> list[Made]:
    """Release so many times, each time with something changed; what the product file states goes into the log."""
    chance = random.Random(seed)
    for name in ("keys/second", "keys/third"):
        write_key(name)
    tree: dict[str, Any] = tomllib.loads(Path("imgseal.toml").read_text())
    tree["log"] = {"path": "release.log"}
    Path("release.log").touch()
    if variants:
        tree["variant"] = {"early": {"hardware": "2..3"}, "late": {"hardware": 4}}
    part = tree["component"]
    part["motor"]["needs"] = {"bootloader": ">=1.1.0"}
    keys = ["keys/packages", "keys/second", "keys/third"]
    made: list[Made] = []
    radio = boot = 0
    for number in range(count):
        files = [*MOTOR, *RADIO, *PHRASES]
        if number:
            for change in chance.sample(("counter", "needs", "boot", "need-boot", "keys", "part", "radio"), 2):
                if change == "counter":
                    part["motor"]["counter"] += 1
                elif change == "radio":
                    radio += 1
                    part["radio"]["counter"] += chance.randrange(2)
                elif change == "needs":
                    part["motor"]["needs"]["radio"] = f">=1.3.{2 + max(0, radio - chance.randrange(2))}"
                elif change == "boot":
                    boot += 1
                elif change == "need-boot":
                    part["motor"]["needs"]["bootloader"] = f">=1.{1 + max(0, boot - chance.randrange(2))}.0"
                elif change == "keys":
                    keys = [*keys[1:], keys[0]]
                else:
                    files = chance.choice(([*MOTOR, *PHRASES], [*RADIO], [*MOTOR, *RADIO]))
        trusted = [keys[0], keys[1]] if chance.randrange(3) else [keys[0]]
        part["radio"]["version"] = f"1.3.{2 + radio}"
        tree["bootloader"]["version"] = f"1.{1 + boot}.0"
        tree["trust"]["packages"]["keys"] = [f"{name}.pub.pem" for name in sorted(trusted)]
        tree["signing"]["release"]["packages"] = f"{keys[0]}.pem"
        tree["release"] |= {"version": f"2.4.{number}", "sequence": 16 + number}
        path = f"product-{number}.toml"
        Path(path).write_text(write_toml(tree))
        every = ("--variant", "all") if variants else ()
        arguments = ("--release", "--product", path, "--revision", "ab" * 20, "--out", f"out/{number}", *every)
        said = imgseal("build", *files, *arguments)
        if said.status == 0:
            entry = len(made)
            names = {v: _package(number, v) for v in (("early", "late") if variants else ("",))}
            made.append(Made(entry, f"2.4.{number}", path, names))
    # what asks keeps all keys: those of earlier devices are needed to verify what these take
    tree["trust"]["packages"]["keys"] = [f"{name}.pub.pem" for name in sorted(keys)]
    Path("imgseal.toml").write_text(write_toml(tree))
    return made


def _package(number: int, variant: str) -> str:
    mark = f"-{variant}" if variant else ""
    return os.path.join("out", str(number), variant, f"vent-drive{mark}-2.4.{number}-{16 + number}.suit")
