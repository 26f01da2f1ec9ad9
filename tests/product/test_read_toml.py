"""The product file: each rule by line, key path, expected, found. The rules are those of docs/format/product-file.md."""

import random
import uuid
from typing import Any

import pytest
from long_runs import long

from imgseal.errors import UsageError
from imgseal.product.identifiers import class_identifier, vendor_identifier
from imgseal.product.model import Release
from imgseal.product.read_toml import read, resolved
from imgseal.product.schema import KEYS
from imgseal.product.starter import STARTER, product_text
from imgseal.versions import Version

TEXT = product_text()
COMPONENTS = ("motor", "radio", "phrases", "recovery")


def refused(text: str, **arguments: object) -> UsageError:
    with pytest.raises(UsageError) as caught:
        read(text, name="imgseal.toml", **arguments)  # type: ignore[arg-type]
    return caught.value


def line_with(text: str, words: str) -> int:
    return next(number for number, line in enumerate(text.split("\n"), 1) if words in line)


def test_demo_product() -> None:
    product = read(TEXT, name="imgseal.toml")
    assert (product.hardware, product.release) == ((2, 4), Release(Version(2, 4, 1), 17, next=False))
    assert product.memories["nor"].size == 64 << 20
    motor = product.components["motor"]
    assert (motor.run, motor.version, motor.counter, motor.way_back) == (
        ("motor-a", "motor-b"),
        (2, 4, 1, 255, 0xFFFFFF),
        6,
        "kept",
    )
    assert [(need.component, need.name, str(need.least), str(need.below)) for need in motor.needs] == [
        (2, "radio", "1.3.0", "2.0.0"),
        (0, "bootloader", "1.1.0", "None"),
    ]
    assert product.slot_base("phrases") == 0x6008_0000
    assert product.vendor_id == uuid.uuid5(uuid.NAMESPACE_DNS, "quillmoor.example").bytes
    assert product.class_id == uuid.uuid5(uuid.UUID(bytes=product.vendor_id), "vent-drive-2").bytes


def test_published_identifiers() -> None:
    """The SUIT draft's examples: UUIDv5(DNS, "arm.com") and UUIDv5(vendor, "suit")."""
    vendor = vendor_identifier("arm.com")
    assert vendor.hex() == "fa6b4a53d5ad5fdfbe9de663e4d41ffe"
    assert class_identifier(vendor, "suit").hex() == "1492af1425695e48bf429b2d51f2ab45"


def test_starter_is_valid_as_it_stands() -> None:
    product = read(STARTER, name="imgseal.toml")
    assert list(product.components) == ["app"]
    assert all(word in STARTER for word in ("imgseal key new", "imgseal build", "(*)"))


# replaced text, its replacement, key path in the error, words in it
RULES = [
    ("format = 1", "format = 2", "format", "expected: 1"),
    ('name = "vent-drive"', 'name = "vent drive"', "product.name", "file name"),
    ('vendor = "quillmoor.example"', 'vendor = "quillmoor"', "product.vendor", "domain"),
    ('hardware = "2..4"', 'hardware = "4..2"', "product.hardware", "range"),
    ('hardware = "2..4"', "hardware = 70000", "product.hardware", "65535"),
    ('version = "2.4.1"', 'version = "2.4"', "release.version", "2.4.1-rc.1"),
    ("sequence = 17", "sequence = -1", "release.sequence", "0 to 4294967295"),
    ("sequence = 17", "", "release.sequence", "missing"),
    ("sequence = 17", "sequnce = 17", "release.sequnce", "did you mean sequence?"),
    ('size = "512 Mbit"', 'size = "512 Mb"', "memory.nor.size", "512 Mbit"),
    ('size = "512 Mbit"', "size = 0", "memory.nor.size", "size"),
    ("write_unit = 8", "write_unit = 6", "memory.internal.write_unit", "power of two"),
    ('erase_block = "4 KiB"', 'erase_block = "3 KiB"', "memory.internal.erase_block", "whole number"),
    ("base = 0x6000_0000", "base = 0x2000_0000", "memory.ram.base", "overlaps memory.nor"),
    ("base = 0x6000_0000", "base = 0xFF00_0000", "memory.nor.size", "32 bits"),
    ("program_once = true", 'program_once = "yes"', "memory.internal.program_once", "true or false"),
    ("at = 0x7_0000", "at = 0x6_F000", "slot.motor-b.at", "overlaps slot.motor-a"),
    ("at = 0x7_0000", "at = 0x7_0800", "slot.motor-b.at", "multiple of 4096"),
    ("at = 0xE_0000", "at = 0xE_1000", "slot.radio-keep.size", "crosses the end of memory.internal"),
    ('size = "16 KiB"', 'size = "8 KiB"', "slot.records.size", "three places"),
    ("page = 256", "page = 3000", "memory.internal.page", "whole number"),
    ("page = 256", "page = 8192", "memory.internal.page", "one erase block"),
    ("erase_ms = [22, 40]", "erase_ms = [40, 22]", "memory.internal.erase_ms", "[45, 400]"),
    ("program_us = [900, 2600]", "program_us = 900", "memory.internal.program_us", "longest"),
    ("endurance = 10_000", "endurance = 0", "memory.internal.endurance", "1 to"),
    ('holds = "bootloader"', 'holds = "recovery"', "slot.recovery.holds", "two slots for one purpose"),
    ('run = ["recovery"] ', 'kind = "data"\nrun = ["recovery"]', "component.recovery.core", "no vector table"),
    ('run = ["recovery"] ', 'run = ["recovery"]\nneeds = { radio = ">=1.0.0" }', "component.recovery.needs", "starts alone"),
    ('radio = ">=1.3.0, <2.0.0", bootloader', 'recovery = ">=1.3.0", bootloader', "component.motor.needs.recovery", "belongs to no set"),
    ('run = ["radio"]', 'run = ["recovery"]', "component.recovery.run", "one slot for two purposes"),
    ('hash_rate = "4 MiB"', "hash_rate = 0", "bootloader.hash_rate", "size"),
    ("verify_ms = 110", "verify_ms = -1", "bootloader.verify_ms", "above 0"),
    ("down_time = 30", 'down_time = "30"', "limits.down_time", "above 0"),
    ("trial_attempts = 3", "trial_attempts = 0", "rules.trial_attempts", "1 to 100"),
    ("counters = { motor = 5 }", "counters = { motors = 1 }", "factory.counters.motors", "no such component"),
    ("counters = { motor = 5 }", "counters = { motor = 7 }", "factory.counters.motor", "0 to 6"),
    ('file = "firmware/settings.bin"\n', "", "factory.range[1].file", "missing"),
    ('[slot.phrases]\nmemory = "nor"', '[slot.phrases]\nmemory = "ram"', "slot.phrases.memory", "RAM"),
    ('[slot.phrases]\nmemory = "nor"', '[slot.phrases]\nmemory = "nord"', "slot.phrases.memory", "did you mean nor?"),
    ('holds = "recovery"', 'holds = "rescue"', "slot.recovery.holds", '"recovery"'),
    ("number = 2", "number = 1", "component.radio.number", "component.motor"),
    ("number = 2", "number = 0", "component.radio.number", "1 to 255"),
    ("counter = 3", "counter = 65", "component.radio.counter", "counter_steps"),
    ("counter = 3\n", "", "component.radio.counter", "missing"),
    ('core = "cortex-m4"', 'core = "cortex-m5"', "component.motor.core", "cortex-m4"),
    ('core = "cortex-m4"', 'core = "cortex-m0"', "component.motor.header", "vector table register"),
    ("vectors = 64", "vectors = 1", "component.motor.vectors", "2 to 496"),
    ("vectors = 64", "vectors = 400", "component.motor.header_block", "header_block = 2048"),
    ('run = ["radio"]', 'run = ["motor-a"]', "component.radio.run", "one slot for two purposes"),
    ('run = ["radio"]', 'run = ["radio", "radio"]', "component.radio.run", "1 to 2 different"),
    ('run = ["radio"]', 'run = ["phrases"]', "component.phrases.run", "one slot for two purposes"),
    ('staging = "radio-staging"', 'staging = "records"', "component.radio.staging", "one slot for two purposes"),
    ('keep = "radio-keep"\n', "", "component.radio.way_back", 'way_back = "none"'),
    ('keep = "radio-keep"', 'keep = "radio-keep"\nway_back = "none"', "component.radio.way_back", "there is a way back"),
    ('keep = "radio-keep"', 'keep = "radio-keep"\nheader_block = 1000', "component.radio.header_block", "multiple of 128"),
    ('keep = "radio-keep"', 'keep = "radio-keep"\nheader = ["a"]', "component.radio.header", "no such slot"),
    ('radio = ">=1.3.0, <2.0.0"', 'radoi = ">=1.3.0"', "component.motor.needs.radoi", "bootloader"),
    ('radio = ">=1.3.0, <2.0.0"', 'radio = "1.3.0"', "component.motor.needs.radio", ">=1.3.0, <2.0.0"),
    ('radio = ">=1.3.0, <2.0.0"', 'radio = "<=1.3.0"', "component.motor.needs.radio", "range"),
    ('radio = ">=1.3.0, <2.0.0"', 'radio = ">=2.0.0, <2.0.0"', "component.motor.needs.radio", "no version"),
    ('judged = "install"', 'judged = "never"', "component.phrases.judged", '"boot"'),
    ('kind = "data"', 'kind = "data"\ncore = "cortex-m4"', "component.phrases.core", "no vector table"),
    ('keys = ["keys/images.pub.pem"]', "keys = []", "trust.images.keys", "one or more"),
    ('keys = ["keys/images.pub.pem"]', 'keys = ["keys/images.pub.pem"]\nneed = 2', "trust.images.need", "at most 1"),
    ('keys = ["keys/images.pub.pem"]', 'keys = ["keys/packages.pub.pem"]', "trust.packages", "two places"),
    ('keys = ["keys/images.pub.pem"]', 'keys = [{key = "a", component = "x"}]', "trust.images.keys", "no key"),
    ('keys = ["keys/images.pub.pem"]', 'keys = [{key = "a", components = ["x"]}]', "trust.images.keys", "no such component"),
    ('algorithms = ["ESP256"]', 'algorithms = ["RS256"]', "rules.algorithms", "ESP256, ES256, ML-DSA-44 in quotes"),
    ("minimum_battery = 500", "minimum_battery = 0", "rules.minimum_battery", "1 to"),
    ('language = "en"', 'language = "e n"', "text.language", "language tag"),
    ('language = "en"', 'language = "en-U S"', "text.language", "language tag"),
    ('language = "en"', 'language = "en-\u00e9"', "text.language", "language tag"),
    ('language = "en"', 'language = "en-abcdefghi"', "text.language", "language tag"),
    ('language = "en"', 'language = "e1"', "text.language", "language tag"),
    ("[bootloader]", "[bootlaoder]", "bootlaoder", "did you mean bootloader?"),
    ('[signing.release]\nimages = "keys/images.pem"', "[signing.release]\nimages = 3", "signing.release.images", "text"),
    ("[signing.release]", "[signing.relase]", "signing.relase", "development or release"),
    ("[component.radio]", "[[component.motor.outside]]\nat = 0\nsize = 4\n[component.radio]", "component.motor.outside[1]", "either dropped or carried"),
    ("[component.radio]", '[[component.motor.outside]]\nat = 0\nsize = 4\ncarry = "motor"\n[component.radio]', "component.motor.outside[1].carry", "no such component"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "words"), RULES, ids=[f"{r[2]}: {r[3]}" for r in RULES])
def test_rules(old: str, new: str, key: str, words: str) -> None:
    assert old in TEXT
    error = refused(TEXT.replace(old, new, 1))
    assert error.place.file == "imgseal.toml"
    assert error.place.key == key
    assert words in "\n".join(error.lines())
    assert error.place.line is not None


@pytest.mark.parametrize(
    ("old", "new", "marker"),
    [
        ("counter = 3", 'counter = "3"', 'counter = "3"'),
        ("cautions = [\n", "cautions = [\n    3,\n", "cautions = ["),
        ("number = 2", "number = 999", "number = 999"),
        ('needs = { radio = ">=1.3.0, <2.0.0"', 'needs = { radio = "x"', "needs = {"),
    ],
)
def test_lines_are_exact(old: str, new: str, marker: str) -> None:
    """The statement's first line, also of arrays over several lines and inline tables."""
    text = TEXT.replace(old, new, 1)
    assert refused(text).place.line == line_with(text, marker)


def test_syntax_errors_carry_the_line() -> None:
    error = refused(TEXT.replace("number = 2", "number = = 2"))
    assert error.place.line == line_with(TEXT, "number = 2")
    assert "not TOML" in error.message
    assert refused("a = " + "[" * 5000).place.file == "imgseal.toml"


@pytest.mark.parametrize("digits", ["9" * 5000, "0x" + "f" * 5000, "0b" + "1" * 20_000, "-" + "9" * 5000, str(1 << 64)])
def test_numbers_that_are_too_long_to_be_shown(digits: str) -> None:
    """The line, in any notation: Python converts no number of 5,000 digits to decimal."""
    for old, new in (("number = 2", f"number = {digits}"), ("cautions = [\n", f"cautions = [{digits}, ")):
        assert old in TEXT
        error = refused(TEXT.replace(old, new, 1))
        assert "too long for TOML" in error.message
        assert error.place.line == line_with(TEXT, old.strip())


def test_code_in_untrusted_memory() -> None:
    external = TEXT.replace(
        '[slot.radio]\nmemory = "internal"\nat = 0xC_0000', '[slot.radio]\nmemory = "nor"\nat = 0x4_0000'
    )
    assert external != TEXT
    error = refused(external)
    assert "external_code" in (error.hint or "")
    assert read(external.replace("[rules]", '[rules]\nexternal_code = "accept"'), name="x")


def test_overrides() -> None:
    product = read(
        TEXT,
        name="x",
        overrides={"release.version": "3.0.0-rc.1", "release.sequence": "99", "component.motor.counter": "7",
                   "component.motor.version": "2.9.9"},
    )  # fmt: skip
    assert (str(product.release.version), product.release.sequence) == ("3.0.0-rc.1", 99)
    assert (product.components["motor"].counter, str(product.components["motor"].version)) == (7, "2.9.9")
    for key, value in (
        ("product.class", "x"), ("component.motor.number", "4"), ("component.none.counter", "4"),
        ("release.sequence", "-1"), ("release.sequence", "4294967296"), ("release.version", "x"), ("x", "y"),
    ):  # fmt: skip
        refused(TEXT, overrides={key: value})


def test_local_file_holds_signing_keys_only() -> None:
    product = read(TEXT, name="imgseal.toml", local_text='[signing.release]\nimages = "elsewhere.pem"\n')
    assert product.signing["release"] == (("elsewhere.pem",), ("keys/packages.pem",), ())
    for text in (
        "[trust]\n",
        '[signing.other]\nimages = "x"\n',
        '[signing.release]\ncolour = "x"\n',
        "signing = 3",
        "= 3",
    ):
        assert refused(TEXT, local_text=text).place.file == "imgseal.local.toml"


def test_variants_are_all_read_and_one_is_picked() -> None:
    text = TEXT + '\n[variant.north]\nclass = "vent-drive-2-north"\ncomponent.radio.counter = 9\n'
    product = read(text, name="x", variant="north")
    assert (product.class_name, product.components["radio"].counter, product.variant) == (
        "vent-drive-2-north",
        9,
        "north",
    )
    assert read(text, name="x").components["radio"].counter == 3
    assert read(text, name="x").variant_class_ids() == {"north": product.class_id}
    broken = TEXT + '\n[variant.south]\ncomponent.radio.counter = "9"\n'
    assert "counter" in (refused(broken).place.key or "")
    assert refused(TEXT + "\n[variant.south]\ncolour = 3\n").place.key == "variant.south.colour"
    assert (
        refused(TEXT + "\n[variant.south]\ncomponent.radoi.counter = 3\n").place.key == "variant.south.component.radoi"
    )
    assert "north" in (refused(text, variant="nroth").expected or "")


def test_set_has_the_last_word_over_a_variant() -> None:
    """A build script that sets a counter gets that counter, of whichever variant."""
    text = TEXT + '\n[variant.north.component.radio]\ncounter = 4\nversion = "1.4.0"\n'
    for key, value, seen in (("counter", "9", 9), ("version", "1.5.0", Version(1, 5, 0))):
        product = read(text, name="x", variant="north", overrides={f"component.radio.{key}": value})
        assert getattr(product.components["radio"], key) == seen
    tree: dict[str, Any] = resolved(text, name="x", variant="north", overrides={"component.radio.counter": "9"})
    assert tree["component"]["radio"] == {**tree["component"]["radio"], "counter": 9, "version": "1.4.0"}


def variant_keys() -> list[tuple[str, ...]]:
    """Every key that a variant may hold, those of each kind of table of the demo among them."""
    names = {"memory": ("internal", "nor"), "slot": ("motor-a", "records"), "component": COMPONENTS}
    inside = [(kind, name, key) for kind, of in names.items() for name in of for key in KEYS[f"{kind}.NAME"]]
    return [("class",), ("hardware",), *inside]


@pytest.mark.parametrize("value", ["-1.5", "[-1.5]", "{ wrong = 1 }"])
def test_every_key_of_a_variant_is_named_where_it_stands(value: str) -> None:
    """The value stands in for one of the product, and a mistake in it is the variant's: its key path, its line."""
    for key in variant_keys():
        *table, last = key
        for text in (
            f"[variant.rev1]\n{'.'.join(key)} = {value}\n",
            f"[{'.'.join(('variant', 'rev1', *table))}]\n{last} = {value}\n",
        ):
            whole = TEXT + "\n[variant.other]\nhardware = 3\n\n" + text
            error = refused(whole)
            assert (error.place.key or "").startswith(f"variant.rev1.{'.'.join(key)}"), (key, str(error))
            assert error.place.line == line_with(whole, f"{last} = {value}"), (key, str(error))


def test_a_variant_has_memories_and_slots_of_its_own() -> None:
    """The product without a variant is as it was; what a variant adds is there, what it replaces is replaced by keys."""
    text = TEXT + (
        "\n[variant.rev1.memory.internal]\nendurance = 777\n"
        '[variant.rev1.memory.fram]\nbase = 0x9000_0000\nsize = "64 KiB"\nerase_block = "4 KiB"\n'
        '[variant.rev1.slot.spare]\nmemory = "fram"\nat = 0\nsize = "16 KiB"\n'
        '[variant.rev1.slot.motor-a]\nsize = "300 KiB"\n'
    )
    plain, base = read(TEXT, name="x"), read(text, name="x")
    assert base._replace(variants={}) == plain
    rev1 = read(text, name="x", variant="rev1")
    assert rev1.memories["internal"] == plain.memories["internal"]._replace(endurance=777)
    assert rev1.slot_base("spare") == 0x9000_0000
    assert rev1.slots["motor-a"] == plain.slots["motor-a"]._replace(size=300 << 10)
    assert set(rev1.slots) == {*plain.slots, "spare"}
    error = refused(text.replace('memory = "fram"', 'memory = "fran"'))
    assert (error.place.key, error.place.line) == ("variant.rev1.slot.spare.memory", line_with(text, 'memory = "fram"'))
    error = refused(text.replace('at = 0\nsize = "16 KiB"', 'at = 0\nsize = "18 KiB"'))
    assert error.place.key is not None
    assert error.place.key.startswith("variant.rev1.slot.spare")
    assert refused(TEXT + "\n[variant.rev1.component.fan]\nnumber = 9\n").place.key == "variant.rev1.component.fan"


def test_a_variants_hardware_without_quotes() -> None:
    text = TEXT + '\n[variant.rev1]\nhardware = "1"\n'
    error = refused(text)
    assert (error.place.key, error.place.line) == ("variant.rev1.hardware", line_with(text, 'hardware = "1"'))


def assert_named(error: UsageError) -> None:
    assert error.message
    assert error.place.file == "x"


@long
def test_random_edits_are_read_or_refused_by_name() -> None:
    """Nothing but UsageError leaves the reader, whatever stands in the file; the seed repeats it."""
    rng = random.Random(5)
    lines = TEXT.split("\n")
    pieces = [
        "= 3",
        "[",
        "]",
        '"',
        "{}",
        "[[x]]",
        "true",
        "-1",
        "1e9",
        "2020-01-01",
        "''",
        "[1, 2]",
        "{ a = 1 }",
        "[component.motor]",
    ]
    read_well = 0
    for _ in range(1500):
        changed = list(lines)
        for _ in range(rng.choice((1, 2, 3))):
            at = rng.randrange(len(changed))
            kind = rng.randrange(5)
            key, equals, _value = changed[at].partition("=")
            if kind == 0:
                del changed[at]
            elif kind == 1:
                changed[at] = rng.choice(pieces)
            elif kind == 2 and equals:
                changed[at] = f"{key}= {rng.choice(pieces)}"
            elif kind == 3:
                changed.insert(at, changed[rng.randrange(len(changed))])
            elif changed[at]:
                cut = rng.randrange(len(changed[at]))
                changed[at] = changed[at][:cut] + rng.choice("x9=[\"' \u00e9") + changed[at][cut:]
        try:
            read("\n".join(changed), name="x")
            read_well += 1
        except UsageError as error:
            assert_named(error)
    assert 0 < read_well < 1500


@pytest.mark.parametrize("value", ['["{}"]', '{{ uri = "{}" }}', '["{}", "{}"]'])
@pytest.mark.parametrize("key", ['images = "keys/images.pem"', 'keys = ["keys/images.pub.pem"]'])
def test_no_pin_is_shown(key: str, value: str) -> None:
    """Where a PKCS#11 URI with a PIN stands in a wrong place, the message does not quote it."""
    assert key in TEXT
    name = key.partition(" ")[0]
    uri = "pkcs11:token=a;object=b?pin-value=94716283"
    lines = refused(TEXT.replace(key, f"{name} = {value.format(uri, uri)}", 1)).lines()
    assert "94716283" not in "\n".join(lines)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("base = 0x0000_0000", 'base = "0x0000_0000"', "a number has no quotes"),
        ('size = "1 MiB"', 'size = "1MiB"', "a whole number, a blank, and the unit"),
        ('size = "1 MiB"', 'size = "0.5 MiB"', "a whole number, a blank, and the unit"),
        ('size = "1 MiB"', 'size = "1 MB"', "decimal kB and MB"),
        ('core = "cortex-m4"', 'core = "Cortex-M4"', 'write it so: core = "cortex-m4"'),
        ("sequence = 17", 'sequence = "nxt"', 'without quotes, or "next", which leaves it to the release log'),
        ("format = 1\n", "", "add format: 1, the format of this file"),
        ("sequence = 17\n", "", "add sequence: manifest sequence number, only ever rises"),
        ("", "\ufeff", "begins with a byte order mark"),
        ("[release]\n", "[product]\n[release]\n", "a table or key stands there twice"),
    ],
)
def test_what_to_do_is_said_where_the_mistake_is_a_usual_one(old: str, new: str, words: str) -> None:
    text = product_text()
    assert old in text
    with pytest.raises(UsageError) as refused:
        read(text.replace(old, new, 1), name="imgseal.toml")
    assert words in "\n".join(refused.value.lines())


def test_a_later_layout_names_its_first_bootloader() -> None:
    missing = refused(TEXT + "\n[layout]\nrevision = 1\n")
    assert (missing.place.key, missing.found) == ("layout.bootloader", "nothing")
    needless = refused(TEXT + '\n[layout]\nbootloader = "1.0.0"\n')
    assert (needless.place.key, needless.found) == ("layout.bootloader", "1.0.0")
