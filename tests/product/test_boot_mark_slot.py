"""The slot of the boot mark, and what at_boot asks for; docs/format/product-file.md, "Rules between the tables"."""

import pytest
from workshop import by_digest, product

from imgseal.errors import UsageError


def refused(old: str, new: str) -> UsageError:
    def edit(text: str) -> str:
        text = by_digest(text)
        assert text.count(old) == 1, old
        return text.replace(old, new)

    with pytest.raises(UsageError) as raised:
        product(edit)
    error = raised.value
    assert error.place is not None
    assert error.place.line, error
    assert error.expected, error
    return error


def test_it_is_read() -> None:
    of = product(by_digest)
    slot = of.slot_holding("boot-mark")
    assert slot is not None
    assert (slot.name, slot.write_protected, of.rules.at_boot) == ("mark", "until-reset", "digest")
    plain = product()
    assert plain.rules.at_boot == "signature"
    assert all(slot.write_protected is None for slot in plain.slots.values())


def test_a_slot_may_wait_for_its_use() -> None:
    of = product(lambda text: by_digest(text).replace('at_boot = "digest"\n', ""))
    assert of.slot_holding("boot-mark") is not None
    assert of.rules.at_boot == "signature"


REFUSED = {
    "no slot": ('holds = "boot-mark"\nwrite_protected = "until-reset"\n', "", "rules.at_boot", 'no slot holds "boot-mark"'),
    "no records": ('holds = "records"\n', "", "rules.at_boot", 'no slot holds "records"'),
    "nothing said of protection": ('write_protected = "until-reset"\n', "", "slot.mark.write_protected", "nothing says"),
    "another protection": ('"until-reset"', '"by-software"', "slot.mark.write_protected", ""),
    "untrusted": ('memory = "internal"\nat = 0x1_3000\nsize = "4 KiB"', 'memory = "nor"\nat = 0x100_0000\nsize = "64 KiB"', "slot.mark.memory", "others can write it"),
    "in RAM": ('memory = "internal"\nat = 0x1_3000', 'memory = "ram"\nat = 0', "slot.mark.memory", "RAM"),
    "overlapping": ("at = 0x1_3000", "at = 0x1_2000", "slot.mark.at", "overlaps"),
    "not whole blocks": ("at = 0x1_3000", "at = 0x1_3800", "slot.mark.at", "erase blocks"),
    "beyond the memory": ("at = 0x1_3000", "at = 0x10_0000", "slot.mark.size", "end"),
    "used by a component": ('staging = "radio-staging"', 'staging = "mark"', "component.radio.staging", ""),
    "two of them": ('holds = "anchors"\n', 'holds = "boot-mark"\nwrite_protected = "until-reset"\n', "slot.mark.holds", "two slots"),
    "protection of another slot": ('holds = "anchors"\n', 'holds = "anchors"\nwrite_protected = "until-reset"\n', "slot.anchors.write_protected", "only the boot mark"),
    "another word": ('at_boot = "digest"', 'at_boot = "hash"', "rules.at_boot", ""),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    old, new, key, words = REFUSED[name]
    error = refused(old, new)
    assert error.place is not None
    assert error.place.key == key
    assert words in error.message
    if name in ("no slot", "no records", "nothing said of protection", "untrusted"):
        assert error.found
        assert error.hint
