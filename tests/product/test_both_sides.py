"""The ends of each range of docs/format/product-file.md: the last value inside is taken, the first outside is refused by its key."""

import re

import pytest

from imgseal.errors import UsageError
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text

TEXT = product_text()
U32 = 4294967295
DIGEST = "0" * 63
OUTSIDE = "[[component.motor.outside]]\nat = {}\nsize = 4\ndrop = true\n[component.radio]"

# text of the demo, the same with a value, its key path, values inside, values outside
ENDS: list[tuple[str, str, str, tuple[object, ...], tuple[object, ...]]] = [
    ("format = 1", "format = {}", "format", (1,), (0, 2, "true", '"1"', 1.0)),
    ('name = "vent-drive"', "name = {}", "product.name", ('"a_b-9"', f'"{"x" * 64}"'), ('"a/b"', f'"{"x" * 65}"', '" "', '"ä"')),
    ('hardware = "2..4"', "hardware = {}", "product.hardware", (0, 65535, '"0..65535"', '"3..3"'), (-1, 65536, '"0..65536"', '"3"', '"3.."', "true")),
    ("sequence = 17", "sequence = {}", "release.sequence", (0, U32), (-1, U32 + 1, "true", '"17"')),
    ("base = 0x2000_0000", "base = {}", "memory.ram.base", (0x2000_0000, 2**32 - 131072), (-1, U32 + 1)),
    ("base = 0x2000_0000", "base = {}", "memory.ram.size", (2**32 - 131072,), (2**32 - 131071,)),
    ("write_unit = 8", "write_unit = {}", "memory.internal.write_unit", (1, 2, 256), (0, 3, 512)),
    ("page = 256\nprogram_once", "page = {}\nprogram_once", "memory.internal.page", (8, 4096), (4, 12, 8192, 2**20 + 1)),
    ("endurance = 10_000", "endurance = {}", "memory.internal.endurance", (1, U32), (0, U32 + 1)),
    ("erase_ms = [22, 40]", "erase_ms = {}", "memory.internal.erase_ms", ("[22, 22]", "[0.5, 1e9]"), ("[0, 40]", "[1]", "[1, 2, 3]", "[1, true]", "[1, 1000000001]")),
    ("verify_ms = 110", "verify_ms = {}", "bootloader.verify_ms", (0.001, 1_000_000), (0, 1_000_001, "true")),
    ("down_time = 30", "down_time = {}", "limits.down_time", (0.5, 1_000_000), (0, 1_000_000.5)),
    ("number = 4", "number = {}", "component.recovery.number", (4, 255), (0, 256, "true")),
    ("counter = 1\njudged", "counter = {}\njudged", "component.phrases.counter", (0, 256), (-1, 257, 20250101, U32 + 1)),
    ("counter = 1\njudged", "counter_storage = 'value'\ncounter = {}\njudged", "component.phrases.counter", (0, 20250101, U32), (-1, U32 + 1)),
    ("counter = 1\njudged", "counter = 1\ncounter_jump = {}\njudged", "component.phrases.counter_jump", (1, U32), (0, U32 + 1)),
    ("counter = 1\njudged", "counter = 1\ncounter_storage = {}\njudged", "component.phrases.counter_storage", ("'steps'", "'value'"), ("''", "'number'", "1")),
    ("counter = 3\ncounter_steps = 64", "counter = 3\ncounter_steps = {}", "component.radio.counter_steps", (3, U32), (0, U32 + 1)),
    ("counter = 3\ncounter_steps = 64", "counter = {}\ncounter_steps = 64", "component.radio.counter", (64,), (65,)),
    ("vectors = 48", "vectors = {}", "component.radio.vectors", (2, 48), (1, 497)),
    ("number = 4", "number = 4\nheader_block = {}", "component.recovery.header_block", (1024, 8192), (384, 1000, 8320)),
    ("counters = { motor = 5 }", "counters = {{ motor = {} }}", "factory.counters.motor", (0, 6), (-1, 7, "true")),
    ("at = 0x0_F000\n\n#", "at = {}\n\n#", "factory.range[1].at", (0, U32), (-1, U32 + 1)),
    ("[component.radio]", OUTSIDE, "component.motor.outside[1].at", (0, U32), (-1, U32 + 1)),
    ("minimum_battery = 500", "minimum_battery = {}", "rules.minimum_battery", (1, U32), (0, U32 + 1)),
    ("trial_attempts = 3", "trial_attempts = {}", "rules.trial_attempts", (1, 100), (0, 101)),
    ("trial_attempts = 3", "trial_power_ons = {}", "rules.trial_power_ons", (100, 200), (0, 201)),
    ("trial_attempts = 3", "update_priority = {}", "rules.update_priority", (-(2**31), 2**31 - 1), (-(2**31) - 1, 2**31)),
    ("[rules]", "[[component.motor.allowed_key]]\nreason = 'a'\nsha256 = '{}'\n[rules]", "component.motor.allowed_key[1].sha256", (DIGEST + "f", DIGEST + "F"), (DIGEST, DIGEST + "g", DIGEST + "00")),
]  # fmt: skip


def taken(old: str, new: str) -> UsageError | None:
    assert TEXT.count(old) == 1, old
    try:
        read(TEXT.replace(old, new), name="imgseal.toml")
    except UsageError as error:
        return error
    return None


@pytest.mark.parametrize(
    ("old", "new", "key", "inside", "outside"), ENDS, ids=[f"{row[2]} {row[0][:20]}" for row in ENDS]
)
def test_ends(old: str, new: str, key: str, inside: tuple[object, ...], outside: tuple[object, ...]) -> None:
    for value in inside:
        error = taken(old, new.format(value))
        assert error is None, f"{value}: {error}"
    for value in outside:
        error = taken(old, new.format(value))
        assert error is not None, value
        assert error.place is not None
        assert (value, error.place.key) == (value, key)


def test_units_of_sizes() -> None:
    """The page: B, KiB, MiB, GiB, Kbit, Mbit, Gbit; a Mbit is 2^20 bits."""
    one = {
        "B": 1,
        "KiB": 1024,
        "MiB": 1024**2,
        "GiB": 1024**3,
        "Kbit": 1024 // 8,
        "Mbit": 1024**2 // 8,
        "Gbit": 1024**3 // 8,
    }
    for unit, size in one.items():
        product = read(
            TEXT.replace('size = "128 KiB"\nkind = "ram"', f'size = "1 {unit}"\nkind = "ram"'), name="imgseal.toml"
        )
        assert product.memories["ram"].size == size, unit
    for unit in ("kB", "kbit", "MB", "Mb", "KIB", "TiB"):
        assert taken('size = "128 KiB"\nkind = "ram"', f'size = "1 {unit}"\nkind = "ram"') is not None, unit


def test_whole_address_space() -> None:
    """A size of 2^32 is the largest."""
    alone = re.sub(r"\[memory\.(?:internal|nor)\].*?(?=\[memory|\[bootloader)", "", TEXT, flags=re.DOTALL)
    for size, words in (
        ("4 GiB", "no such memory"),
        ("4294967296 B", "no such memory"),
        ("4294967297 B", "this is no size"),
        ("5 GiB", "this is no size"),
    ):
        with pytest.raises(UsageError) as caught:
            read(
                alone.replace("base = 0x2000_0000", "base = 0").replace('"128 KiB"\nkind', f'"{size}"\nkind'),
                name="imgseal.toml",
            )
        assert words in str(caught.value), size


def test_four_needs_fit_into_a_statement() -> None:
    """docs/format/sealed-image.md: four places."""
    five = "".join(
        f'[component.d{n}]\nnumber = {n}\nkind = "data"\nrun = ["d{n}"]\ncounter = 1\nway_back = "none"\n'
        for n in (11, 12, 13)
    )
    slots = "".join(f'[slot.d{n}]\nmemory = "nor"\nat = 0x{n}0_0000\nsize = "64 KiB"\n' for n in (11, 12, 13))
    old = 'needs = { radio = ">=1.3.0, <2.0.0", bootloader = ">=1.1.0" }'
    text = TEXT.replace("[rules]", f"{slots}{five}[rules]")
    more = [f'd{n} = ">=1.0.0"' for n in (11, 12, 13)]
    fits = read(
        text.replace(old, f'needs = {{ radio = ">=1.3.0", bootloader = "<2.0.0", {", ".join(more[:2])} }}'),
        name="imgseal.toml",
    )
    assert [need.component for need in fits.components["motor"].needs] == [2, 0, 11, 12]
    with pytest.raises(UsageError, match="too many requirements") as caught:
        read(
            text.replace(old, f'needs = {{ radio = ">=1.3.0", bootloader = "<2.0.0", {", ".join(more)} }}'),
            name="imgseal.toml",
        )
    assert caught.value.place is not None
    assert caught.value.place.key == "component.motor.needs"


def test_text_and_lists_have_a_largest_size() -> None:
    assert taken('vendor_name = "Quillmoor (invented)"', f'vendor_name = "{"x" * 4096}"') is None
    assert taken('vendor_name = "Quillmoor (invented)"', f'vendor_name = "{"x" * 4097}"') is not None
    assert taken('vendor_name = "Quillmoor (invented)"', 'vendor_name = ""') is not None


@pytest.mark.parametrize("name", ["memory", "slot", "component"])
def test_there_has_to_be_one_of_each(name: str) -> None:
    """Without the tables, with an empty one, and with something else in their place."""
    without = re.sub(rf"\[{name}\..*?(?=^\[(?!{name}\.))", "", TEXT, flags=re.DOTALL | re.MULTILINE)
    assert f"[{name}." not in without
    for text, words in (
        (without, "this key is missing"),
        (f"{without}\n[{name}]\n", "there is nothing here"),
        (without.replace("format = 1", f"format = 1\n{name} = 3"), "there is nothing here"),
    ):
        with pytest.raises(UsageError, match=words) as caught:
            read(text, name="imgseal.toml")
        assert caught.value.place is not None
        assert caught.value.place.key == name


@pytest.mark.parametrize("names", ['"motor"', "[]", "[1]", "{}", "3"])
@pytest.mark.parametrize("key", ["components", "classes"])
def test_limits_of_a_key_are_lists_of_names(key: str, names: str) -> None:
    error = taken('keys = ["keys/images.pub.pem"]', f'keys = [{{ key = "keys/images.pub.pem", {key} = {names} }}]')
    assert error is not None
    assert "no list of names" in error.message
