"""Every key of the product file: the one table that the reader, its suggestions and the documentation follow."""

from collections.abc import Callable
from typing import Any

from imgseal.formats.install_record.room import WRITE_UNIT_MAX
from imgseal.limits import BLOCKS, DELIVERY_STEPS, DELIVERY_STEPS_MOST, HEADER_BLOCK_MAX, HEADER_BLOCK_MIN, LINE_MEMBERS
from imgseal.product.algorithms import ALGORITHMS
from imgseal.product.flash_behaviours import OF_A_MEMORY
from imgseal.product.value import Value
from imgseal.records import NamedTuple

REQUIRED = object()
CORES = ("cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m23", "cortex-m33")


class Kind(NamedTuple):
    """What a value is, in words; how it is read; and what an absent one is that has no other default."""

    words: str
    read: Callable[[Value], Any] = lambda value: value.value
    absent: object = None


class Key(NamedTuple):
    """A key of a table: its kind, its meaning, its default; `says` is the default in words where they are others."""

    kind: Kind
    meaning: str
    default: object = None
    says: str | None = None


def required(kind: Kind, meaning: str, says: str = "required") -> Key:
    """Return a key that has to be there; `says` where not in every table."""
    return Key(kind, meaning, REQUIRED, says)


def integer(least: int = 0, most: int = 0xFFFF_FFFF) -> Kind:
    """Return the kind of integers in a range."""
    return Kind("integer", lambda value: value.integer(least, most))


def integer_or(word: str) -> Kind:
    """Return the kind of integers, in whose place a word may stand: the release log has the number."""

    def read(value: Value) -> object:
        if isinstance(value.value, str) and value.value != word:
            value.refuse(f'an integer, without quotes, or "{word}", which leaves it to the release log')
        return word if value.value == word else value.integer(0, 0xFFFF_FFFF)

    return Kind(f'integer or "{word}"', read)


def text(words: str = "text", most: int = 4096) -> Kind:
    """Return the kind of texts."""
    return Kind(words, lambda value: value.text(most))


def texts(words: str = "array", least: int = 0, most: int = 64) -> Kind:
    """Return the kind of arrays of different texts."""
    return Kind(words, lambda value: value.texts(least, most), ())


def written(such: str) -> Kind:
    """Return the kind of names of files that are written."""
    return Kind("file", lambda value: value.file(such))


def choice(*options: str, words: str | None = None) -> Kind:
    """Return the kind of one of a few words."""
    quoted = [f'"{option}"' for option in options]
    said = " or ".join(filter(None, (", ".join(quoted[:-1]), quoted[-1])))
    return Kind(words or said, lambda value: value.choice(options))


SIZE, NUMBER, PAIR = Kind("size", Value.size), Kind("number", Value.number), Kind("two numbers", Value.pair)
BOOLEAN, VERSION = Kind("boolean", Value.boolean), Kind("version", Value.version)
TABLE, TABLES = Kind("table"), Kind("array of tables")
_BEHAVES = Kind("array of words", lambda value: value.some_of(OF_A_MEMORY), ())
_NAMES = Kind("memory name or names", lambda value: value.one_or_more(8), ())
_REFERENCES, _RANGE, _KEYS = Kind("file or files"), Kind("range", Value.hardware), Kind("array")

KEYS: dict[str, dict[str, Key]] = {
    "": {
        "format": required(integer(1, 1), "1, the format of this file"),
        "include": Key(text("file"), "a file with what this product has in common with others"),
        "product": required(TABLE, "what the product is"),
        "release": required(TABLE, "what names this release"),
        "signing": Key(TABLE, "private keys, by `development`, `release` and channel"),
        "memory": required(TABLE, "memories by name"),
        "slot": required(TABLE, "slots by name"),
        "component": required(TABLE, "components by name"),
        "bootloader": Key(TABLE, "the bootloader that devices leave the factory with"),
        "layout": Key(TABLE, "which layout of the devices this is, once it has changed", says="the first"),
        "delivery": Key(TABLE, "where a delivery waits, and how much of it there is", says="defaults"),
        "trust": required(TABLE, "public keys that are trusted"),
        "channel": Key(TABLE, "release channels by name: whose packages their devices take"),
        "rules": Key(TABLE, "rules of the product", says="defaults"),
        "limits": Key(TABLE, "what an update may take"),
        "factory": Key(TABLE, "what `imgseal factory` merges beside the sealed images"),
        "log": Key(TABLE, "the release log"),
        "firmware": Key(TABLE, "how firmware files are read", says="defaults"),
        "gate": Key(TABLE, "what `imgseal gate` looks at beside firmware it recognises, and what it excuses"),
        "text": Key(TABLE, "what packages say to people"),
        "line": Key(TABLE, "the members of a product line; a file with this table is no product file"),
        "variant": Key(TABLE, "variants by name: class, hardware, and keys of memories, slots and components"),
    },
    "product": {
        "name": required(Kind("name", Value.name), "used in file names"),
        "vendor": required(
            Kind("domain", Value.domain), "the vendor's domain; vendor identifier = UUIDv5(DNS, vendor)"
        ),
        "class": required(
            text(most=256), "devices that take the same images; class identifier = UUIDv5(vendor id, class)"
        ),
        "hardware": Key(
            _RANGE, 'hardware revisions that take these images, such as "2..4" or 3; 0 to 65535', says="required"
        ),
    },
    "release": {
        "version": required(VERSION, 'version of the set, such as "2.4.1" or "2.4.1-rc.1"'),
        "sequence": required(
            integer_or("next"),
            'manifest sequence number, only ever rises; 0 to 4294967295, or "next": the one after the last of the '
            "release log",
        ),
    },
    "signing.development": {
        "images": Key(
            _REFERENCES,
            "private keys that seal development images, at least one for each algorithm that must verify; files "
            "or PKCS#11 URIs",
        ),
        "packages": Key(_REFERENCES, "private keys that sign development packages, likewise"),
    },
    "signing.release": {
        "images": Key(
            _REFERENCES,
            "private keys that seal released images, likewise; a public key file stands for a private key that "
            "is held elsewhere (`build --sign-later`)",
        ),
        "packages": Key(_REFERENCES, "private keys that sign released packages, likewise; a public key file as above"),
        "deliveries": Key(
            _REFERENCES, "private key that signs deliveries", says="trust.deliveries has none: signing.release.packages"
        ),
    },
    "signing.NAME": {
        "packages": required(
            _REFERENCES, "private keys that sign the packages of a channel, in place of signing.release.packages"
        ),
    },
    "memory.NAME": {
        "base": required(integer(), "first address"),
        "size": required(SIZE, 'bytes, or text such as "1 MiB" or "512 Mbit"'),
        "kind": Key(choice("flash", "ram"), "slots lie in flash, stacks in RAM", "flash"),
        "erase_block": required(SIZE, "smallest range that is erased at once", says="required for flash"),
        "write_unit": Key(
            integer(1, WRITE_UNIT_MAX), "smallest programmable piece in bytes, a power of two, at most 256", 1
        ),
        "program_once": Key(BOOLEAN, "a unit is programmed once per erase (ECC flash)", False),
        "page": Key(integer(), "most bytes programmed at once", says="write_unit"),
        "erased": Key(
            Kind('0xFF, 0x00 or "unreadable"', Value.erased),
            "what reads where nothing is programmed since the erase",
            0xFF,
            says="0xFF",
        ),
        "swaps": Key(BOOLEAN, "banks that change places by a switch: true is refused, with what to do", False),
        "trusted": Key(BOOLEAN, "false for external parts: an attacker with a clip can write them", True),
        "erase_ms": Key(PAIR, "typical and longest time to erase a block, in ms, from the data sheet"),
        "program_us": Key(PAIR, "typical and longest time to program a page, in microseconds"),
        "endurance": Key(integer(1), "how often a block may be erased"),
        "behaves": Key(
            _BEHAVES,
            "ways in which it is worse than other flash, which `rehearse` plays (docs/format/flash-model.md)",
        ),
    },
    "slot.NAME": {
        "memory": required(text("memory name"), "where it lies"),
        "at": required(integer(), "offset from the memory's base"),
        "size": required(SIZE, "whole erase blocks"),
        "holds": Key(
            choice("bootloader", "records", "recovery", "anchors", "package", "boot-mark"),
            "a purpose of its own; records need three places in trusted flash, a package two erase blocks",
        ),
        "write_protected": Key(
            choice("until-reset"),
            "nothing can erase or program the slot from before hand-over until the next reset",
            says='required for "boot-mark"',
        ),
    },
    "component.NAME": {
        "number": required(integer(1, 255), "1 to 255, never changed; 0 is the bootloader"),
        "kind": Key(choice("code", "data"), "code has a vector table and a core", "code"),
        "version": Key(VERSION, "version of this component", says="release.version"),
        "counter": required(
            integer_or("same"),
            'anti-rollback counter of this release; 0 to 4294967295, or "same": as in the release log',
        ),
        "counter_storage": Key(
            choice("steps", "value"),
            "whether the device's counter takes one step at a time, or stores a number that only rises",
            "steps",
        ),
        "counter_steps": Key(
            integer(1),
            "the highest counter that the storage can hold; 4294967295 for a value where it is not stated",
            says="256 for steps",
        ),
        "counter_jump": Key(integer(1), "the most that one update may raise the counter by"),
        "core": required(
            choice(*CORES, words="core name"),
            "cortex-m0, cortex-m0plus, cortex-m3, cortex-m4, cortex-m7, cortex-m23 or cortex-m33",
            says="required for code",
        ),
        "vectors": required(
            integer(2, 496),
            "entries of the vector table, the stack pointer among them; 2 to 496",
            says="required for code",
        ),
        "ram": Key(_NAMES, "where its stack lies, where cores have RAM of their own", says="any RAM"),
        "run": required(texts("slot names", 1, 2), "one or two run slots; with two, each build is linked for one"),
        "staging": Key(text("slot name"), "where an update waits"),
        "keep": Key(text("slot name"), "where the previous image is kept while its run slot is rewritten"),
        "way_back": Key(
            choice("kept", "none"), '"none" must be said for code with one run slot and no keep slot', "kept"
        ),
        "header": Key(texts("slot names", 0, 2), "slots for detached headers, one for each run slot"),
        "header_block": Key(
            integer(HEADER_BLOCK_MIN, HEADER_BLOCK_MAX),
            "bytes of the header block: a multiple of 128 from 512 to 8192",
            1024,
        ),
        "hazard": Key(text(), "what can hurt; the package then asks the device for authorisation"),
        "needs": Key(TABLE, 'component name or `bootloader` -> range such as ">=1.3.0, <2.0.0"; at most four'),
        "judged": Key(choice("boot", "install", "use"), "when the device judges the payload", "boot"),
        "outside": Key(TABLES, "ranges outside the run slots that a firmware file may hold"),
        "allowed_key": Key(TABLES, "private keys that belong in the firmware; others are refused"),
        "description": Key(text(), "for people"),
    },
    "component.NAME.allowed_key": {
        "sha256": required(Kind("text", Value.sha256), "of the key's bytes, as the refusal prints it"),
        "reason": required(text(), "why the key belongs there"),
    },
    "component.NAME.outside": {
        "at": required(integer(), "first address"),
        "size": required(SIZE, "bytes"),
        "drop": Key(BOOLEAN, "true: leave this range out on purpose", False),
        "carry": Key(text("component name"), "hand this range to a component of its own"),
    },
    "bootloader": {
        "version": required(VERSION, "its version, for requirements"),
        "hash_rate": Key(SIZE, "bytes that it hashes in a second, for estimates"),
        "verify_ms": Key(NUMBER, "time that it takes to verify one signature, in ms, for estimates"),
    },
    "layout": {
        "revision": Key(
            integer(0, (1 << 32) - 1),
            "which layout of the devices this is: raised where slots, components or what else the release log "
            "remembers are others than before",
            0,
        ),
        "bootloader": Key(VERSION, "the first bootloader that has this layout", says="required for a revision above 0"),
    },
    "delivery": {
        "slot": Key(
            text("slot name"), "where a delivery lies while it is installed", says="the slot that holds packages"
        ),
        "steps": Key(integer(1, DELIVERY_STEPS_MOST), "of a delivery, how many a device has room for", DELIVERY_STEPS),
    },
    "trust": {
        "images": required(TABLE, "keys for sealed images"),
        "packages": required(TABLE, "keys for update packages"),
        "development": Key(TABLE, "keys that only judgements with --development admit"),
        "deliveries": Key(
            texts(most=8),
            "public key files: each signs what a release travels in (`imgseal deliver`), and nothing else; with none, "
            "package keys do",
        ),
        "apex": Key(text("file"), "public key of the apex trust anchor, which signs later sets of these keys"),
        "contingency": Key(text("file"), "public key that can replace the apex trust anchor; its thumbprint ships"),
        "uncounted": Key(
            texts(most=BLOCKS), "public key files: packages may be signed by these as well, which counts for nothing"
        ),
    },
    "trust.images": {
        "keys": Key(
            _KEYS, "public key files, or tables with `key`, `components`, `classes`, `from`, `until`", says="required"
        ),
        "need": Key(integer(1, 16), "distinct signers needed, for each algorithm that must verify", 1),
    },
    "trust.packages": {
        "keys": Key(_KEYS, "public key files, or tables with `key`, `classes`, `from`, `until`", says="required"),
        "need": Key(integer(1, 16), "distinct signers needed, for each algorithm that must verify", 1),
    },
    "trust.development": {
        "images": Key(texts(), "public key files"),
        "packages": Key(texts(), "public key files"),
    },
    "channel.NAME": {
        "packages": required(
            texts(least=1, most=16), "public key files of trust.packages.keys: devices of the channel trust these"
        ),
        "need": Key(integer(1, 16), "distinct signers that they need", says="trust.packages.need"),
    },
    "rules": {
        "algorithms": Key(
            texts(least=1, most=len(ALGORITHMS)),
            "signature algorithms: ESP256, ES256 (packages only), ML-DSA-44; of ESP256 and ES256 the first signs",
            ("ESP256",),
        ),
        "must_verify": Key(
            Kind('"all" or array'),
            "which of the algorithms must verify; fewer than all only while old devices lack one",
            "all",
        ),
        "unverified": Key(
            texts(), "COSE names of algorithms that nothing here verifies: packages may be signed by these as well"
        ),
        "example_keys": Key(
            choice("refuse", "development"), '"development" allows them for development images', "refuse"
        ),
        "external_code": Key(choice("refuse", "accept"), "whether code may run from untrusted memory", "refuse"),
        "minimum_battery": Key(integer(1), "mWh that the install sequence asks for"),
        "update_priority": Key(
            integer(-(1 << 31), (1 << 31) - 1),
            "passed to the device when it is asked for authorisation; smaller is more urgent",
            0,
        ),
        "trial_attempts": Key(integer(1, 100), "starts that a new set gets in trial, after any reset but power-on", 3),
        "trial_power_ons": Key(integer(1, 200), "starts that it gets after power-on, counted apart", 20),
        "at_boot": Key(
            choice("signature", "digest"),
            'whether signatures are verified at each boot, or once for each set; "digest" needs a slot that '
            "holds the boot mark",
            "signature",
        ),
        "sbom": Key(choice("optional", "required"), "whether a release has to name a bill of materials", "optional"),
        "verifier": Key(
            text(),
            "name of what reads packages on the devices, if it is another; a package outside the device profile "
            "then gets a remark and is not refused",
            says="the exported device code",
        ),
    },
    "limits": {
        "down_time": Key(NUMBER, "longest time without a running product in an update, in seconds"),
        "update_time": Key(NUMBER, "longest time that the battery sustains an update, in seconds"),
        "boot_time": Key(NUMBER, "longest time from reset to start, in seconds"),
    },
    "factory": {
        "bootloader": Key(text("file"), "the bootloader's firmware: Intel HEX, S-records or ELF"),
        "range": Key(TABLES, "configuration ranges"),
        "counters": Key(TABLE, "component name -> first anti-rollback counter", says="the components' counters"),
    },
    "factory.range": {
        "file": required(text("file"), "Intel HEX, S-records, ELF, or a flat binary with `at`"),
        "at": Key(integer(), "address of a flat binary"),
        "what": Key(text(), "named in the list of ranges", "configuration", says="configuration"),
    },
    "log": {
        "path": required(written("release.log"), "the log file; `imgseal log new` makes it"),
        "pin": Key(written("release.head"), "a file with a head of the log, which `imgseal log pin` writes; see there"),
    },
    "firmware": {
        "after_end": Key(
            choice("refuse", "ignore"), "what happens to records behind the end record of Intel HEX", "refuse"
        ),
    },
    "gate": {
        "raw": Key(Kind("array", Value.patterns, ()), "path patterns of flat binaries that are firmware"),
        "exception": Key(TABLES, "artefacts that need not be good, for a time"),
    },
    "gate.exception": {
        "path": required(Kind("text", Value.pattern), "a path pattern"),
        "reason": required(text(), "why they are excused"),
        "until": required(Kind("date", Value.day), "the last day of it, a TOML date without quotes, in UTC"),
    },
    "line": {
        "members": required(
            texts(least=1, most=LINE_MEMBERS), 'folders of the members\' product files, such as ["gate/*", "pump"]'
        ),
    },
    "text": {
        "language": Key(Kind("language tag", Value.language), "of all texts", "en"),
        "description": Key(text(), "what the product is"),
        "vendor_name": Key(text(), "the vendor, for people"),
        "model": Key(text(), "the model, for people"),
        "cautions": Key(texts("array of text"), "what to mind when updating"),
    },
    "variant.NAME": {
        "class": Key(text(most=256), "class of the variant", says="product.class"),
        "hardware": Key(Kind("range", Value.hardware), "hardware revisions of the variant", says="product.hardware"),
        "memory": Key(TABLE, "keys of memories that differ, and memories that only this hardware has"),
        "slot": Key(TABLE, "keys of slots that differ, and slots that only this hardware has"),
        "component": Key(TABLE, "keys of components that differ"),
    },
}
"""Table -> its keys by name; NAME stands for a name of the maker's choice."""
