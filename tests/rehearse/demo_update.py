"""The demo's update, built from its own story: a device that runs 2.4.0, and the package of 2.4.1."""

import functools
import io
from collections.abc import Callable

from stages import installed
from workshop import Workshop, make

from imgseal.check.context import Context
from imgseal.demo.scenario import firmware_files
from imgseal.flow.release import FirmwareFile
from imgseal.formats.source import read as read_firmware
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text
from imgseal.rehearse.life import Stage
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

_OLD = {"release.version": "2.4.0", "release.sequence": "16", "component.motor.counter": "5"}
_NEW = {"component.radio.version": "1.3.3"}


Edit = tuple[str, str] | Callable[[str], str] | None
"""What changes the demo's product file: a piece and what stands there instead, or a function of the text."""


def _product(edit: Edit, overrides: dict[str, str]) -> Product:
    text = product_text()
    if callable(edit):
        text = edit(text)
    elif edit is not None:
        assert edit[0] in text
        text = text.replace(*edit)
    return read(text, name="imgseal.toml", overrides=overrides)


def _build(of: Product, firmware: dict[str, bytes]) -> Workshop:
    files = []
    for name, data in firmware.items():
        component = name.split(".")[0].split("-")[0]
        if component in ("motor", "radio", "phrases"):
            image = read_firmware(io.BytesIO(data), name=name, base=0x60080400 if component == "phrases" else None)
            files.append(FirmwareFile(component, name, image))
    return make(of, files=files)


@functools.cache
def demo_update(edit: Edit = None) -> tuple[Stage, ByteView]:
    """The stage and the package; `edit` changes the product file."""
    old = firmware_files("2.4.0")
    first = _build(_product(edit, _OLD), old)
    second_product = _product(edit, _NEW)
    second = _build(second_product, {**firmware_files("2.4.1"), "phrases.bin": old["phrases.bin"]})
    state, contents = installed(_product(edit, _OLD), first)
    package = ByteView(second.package)
    stage = set_up(Context(second_product, second.trust, state, contents), package)
    assert stage.verdict.accepted, stage.verdict.findings
    return stage, package
