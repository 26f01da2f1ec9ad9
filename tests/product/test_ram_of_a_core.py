"""`ram` of a component: whose stack may lie where. Source of truth: docs/format/product-file.md; the kit has it in C and apart."""

import re

import pytest
from workshop import firmware, make, product, trust_of, verdict

from imgseal.demo.firmware import code
from imgseal.device_code.config import config_header
from imgseal.errors import RefusedError, UsageError
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.cores import rams_of

TCM = '[memory.tcm]\nbase = 0x1000_0000\nsize = "16 KiB"\nkind = "ram"\n\n[memory.ram]\n'


def own_ram(motor: str = '"ram"', radio: str = '["tcm", "ram"]', text: str = "") -> str:
    text = text.replace("[memory.ram]\n", TCM)
    text = text.replace('core = "cortex-m4"\n', f'core = "cortex-m4"\nram = {motor}\n')
    return text.replace('core = "cortex-m0plus"\n', f'core = "cortex-m0plus"\nram = {radio}\n')


def test_one_name_or_several() -> None:
    of = product(lambda text: own_ram(text=text))
    assert [each.name for each in rams_of(of)] == ["tcm", "ram"]
    motor, radio, phrases = (of.components[name] for name in ("motor", "radio", "phrases"))
    assert (motor.ram, radio.ram, phrases.ram) == (("ram",), ("tcm", "ram"), ())
    assert [each.name for each in rams_of(of, motor)] == ["ram"]
    assert [each.name for each in rams_of(of, radio)] == ["tcm", "ram"]
    plain = product()
    assert rams_of(plain, plain.components["motor"]) == rams_of(plain)


@pytest.mark.parametrize(
    ("value", "message", "expected", "found"),
    [
        ('"rma"', 'there is no such memory with kind = "ram"', "tcm, ram", "rma"),
        ('"internal"', 'there is no such memory with kind = "ram"', "tcm, ram", "internal"),
        ("[]", "this is no list of names", "1 to 8 different texts", "[]"),
        ('["ram", "ram"]', "this is no list of names", "1 to 8 different texts", "ram"),
        ("5", "this is no list of names", "1 to 8 different texts", "5"),
    ],
)
def test_mistakes_are_named(value: str, message: str, expected: str, found: str) -> None:
    with pytest.raises(UsageError) as caught:
        product(lambda text: own_ram(value, text=text))
    error = caught.value
    assert message in error.message
    assert expected in (error.expected or "")
    assert found in (error.found or "")
    assert error.place.key == "component.motor.ram"
    assert error.place.line


def test_data_has_no_stack() -> None:
    with pytest.raises(UsageError, match="data has no stack"):
        product(lambda text: text.replace('kind = "data"\n', 'kind = "data"\nram = "ram"\n', 1))


def test_a_build_refuses_a_stack_in_another_core_s_ram() -> None:
    """Accepted where the component names no RAM or both; refused by the names of the RAMs where it names the other one."""

    def built(radio: str) -> None:
        files = [each for each in firmware() if each.component != "radio"]
        body = code("radio", link=0xC0400, size=3000, vectors=48, stack=0x1000_4000)
        files.append(FirmwareFile("radio", "radio.hex", MemoryImage.from_bytes(0xC0400, body)))
        shop = make(product(lambda text: own_ram(radio=radio, text=text)), files=files)
        assert verdict(shop.images["radio"], shop).accepted

    built('["tcm", "ram"]')
    built('"tcm"')
    with pytest.raises(RefusedError) as caught:
        built('"ram"')
    text = str(caught.value)
    assert "content.stack-pointer" in text
    assert "a stack in the RAM of another core" in text
    assert "0x10004000, in tcm" in text
    assert "a multiple of 8 in 0x20000000..0x20020000 (ram)" in text
    assert "component.radio.ram says where its stack lies" in text


def test_it_reaches_the_device() -> None:
    """A bit for each RAM in the order of the product; all of them where nothing is named."""

    def masks(edit: object) -> dict[str, int]:
        assert callable(edit)
        of = product(edit)
        rows = re.findall(r"/\* (\w+) \*/ \{ (.*?) \},\n", config_header(of, trust_of(of), development=False))
        return {
            name: int(row.split(", ")[13].rstrip("u"), 16)
            for name, row in rows
            if name in ("motor", "radio", "phrases")
        }

    every = 0xFFFF_FFFF
    assert masks(lambda text: text) == dict.fromkeys(("motor", "radio", "phrases"), every)
    assert masks(lambda text: own_ram(text=text)) == {"motor": 2, "radio": 3, "phrases": every}
    assert masks(lambda text: own_ram('"tcm"', '["ram"]', text)) == {"motor": 1, "radio": 2, "phrases": every}
