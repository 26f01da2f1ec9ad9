"""Every key of the product file: the one table that the reader, its suggestions and the documentation follow."""

from imgseal.records import NamedTuple


class Key(NamedTuple):
    """A key of a table: type in words, default in words (`required` for none), and its meaning."""

    name: str
    type: str
    default: str
    meaning: str


KEYS: dict[str, tuple[Key, ...]] = {
    "": (
        Key("format", "integer", "required", "1"),
        Key("include", "file", "none", "a file with what this product has in common with others"),
        Key("product", "table", "required", "what the product is"),
        Key("release", "table", "required", "what names this release"),
        Key("signing", "table", "none", "private keys, by `development` and `release`"),
        Key("memory", "table", "required", "memories by name"),
        Key("slot", "table", "required", "slots by name"),
        Key("component", "table", "required", "components by name"),
        Key("bootloader", "table", "none", "the bootloader that devices leave the factory with"),
        Key("trust", "table", "required", "public keys that are trusted"),
        Key("rules", "table", "defaults", "rules of the product"),
        Key("limits", "table", "none", "what an update may take"),
        Key("factory", "table", "none", "what `imgseal factory` merges beside the sealed images"),
        Key("log", "table", "none", "the release log"),
        Key("firmware", "table", "defaults", "how firmware files are read"),
        Key("gate", "table", "none", "what `imgseal gate` looks at beside firmware it recognises, and what it excuses"),
        Key("text", "table", "none", "what packages say to people"),
        Key("line", "table", "none", "the members of a product line; a file with this table is no product file"),
        Key(
            "variant",
            "table",
            "none",
            "variants by name: class, hardware, and keys of memories, slots and components",
        ),
    ),
    "product": (
        Key("name", "name", "required", "used in file names"),
        Key("vendor", "domain", "required", "the vendor's domain; vendor identifier = UUIDv5(DNS, vendor)"),
        Key(
            "class",
            "text",
            "required",
            "devices that take the same images; class identifier = UUIDv5(vendor id, class)",
        ),
        Key(
            "hardware",
            "range",
            "required",
            'hardware revisions that take these images, such as "2..4" or 3; 0 to 65535',
        ),
    ),
    "release": (
        Key("version", "version", "required", 'version of the set, such as "2.4.1" or "2.4.1-rc.1"'),
        Key(
            "sequence",
            'integer or "next"',
            "required",
            'manifest sequence number, only ever rises; 0 to 4294967295, or "next": the one after the last of the '
            "release log",
        ),
    ),
    "signing.development": (
        Key(
            "images",
            "file or files",
            "none",
            "private keys that seal development images, at least one for each algorithm that must verify; files or "
            "PKCS#11 URIs",
        ),
        Key("packages", "file or files", "none", "private keys that sign development packages, likewise"),
    ),
    "signing.release": (
        Key(
            "images",
            "file or files",
            "none",
            "private keys that seal released images, likewise; a public key file stands for a private key that is held "
            "elsewhere (`build --sign-later`)",
        ),
        Key(
            "packages",
            "file or files",
            "none",
            "private keys that sign released packages, likewise; a public key file as above",
        ),
    ),
    "memory.NAME": (
        Key("base", "integer", "required", "first address"),
        Key("size", "size", "required", 'bytes, or text such as "1 MiB" or "512 Mbit"'),
        Key("kind", '"flash" or "ram"', '"flash"', "slots lie in flash, stacks in RAM"),
        Key("erase_block", "size", "required for flash", "smallest range that is erased at once"),
        Key("write_unit", "integer", "1", "smallest programmable piece in bytes, a power of two, at most 256"),
        Key("program_once", "boolean", "false", "a unit is programmed once per erase (ECC flash)"),
        Key("page", "integer", "write_unit", "most bytes programmed at once"),
        Key("erased", '0xFF, 0x00 or "unreadable"', "0xFF", "what reads where nothing is programmed since the erase"),
        Key("swaps", "boolean", "false", "banks that change places by a switch: true is refused, with what to do"),
        Key("trusted", "boolean", "true", "false for external parts: an attacker with a clip can write them"),
        Key("erase_ms", "two numbers", "none", "typical and longest time to erase a block, in ms, from the data sheet"),
        Key("program_us", "two numbers", "none", "typical and longest time to program a page, in microseconds"),
        Key("endurance", "integer", "none", "how often a block may be erased"),
    ),
    "slot.NAME": (
        Key("memory", "memory name", "required", "where it lies"),
        Key("at", "integer", "required", "offset from the memory's base"),
        Key("size", "size", "required", "whole erase blocks"),
        Key(
            "holds",
            '"bootloader", "records", "recovery", "anchors", "package" or "boot-mark"',
            "none",
            "a purpose of its own; records need three places in trusted flash, a package two erase blocks",
        ),
        Key(
            "write_protected",
            '"until-reset"',
            'required for "boot-mark"',
            "nothing can erase or program the slot from before hand-over until the next reset",
        ),
    ),
    "component.NAME": (
        Key("number", "integer", "required", "1 to 255, never changed; 0 is the bootloader"),
        Key("kind", '"code" or "data"', '"code"', "code has a vector table and a core"),
        Key("version", "version", "release.version", "version of this component"),
        Key(
            "counter",
            'integer or "same"',
            "required",
            'anti-rollback counter of this release; 0 to 4294967295, or "same": as in the release log',
        ),
        Key(
            "counter_storage",
            '"steps" or "value"',
            '"steps"',
            "whether the device's counter takes one step at a time, or stores a number that only rises",
        ),
        Key(
            "counter_steps",
            "integer",
            "256 for steps",
            "the highest counter that the storage can hold; 4294967295 for a value where it is not stated",
        ),
        Key("counter_jump", "integer", "none", "the most that one update may raise the counter by"),
        Key(
            "core",
            "core name",
            "required for code",
            "cortex-m0, cortex-m0plus, cortex-m3, cortex-m4, cortex-m7, cortex-m23 or cortex-m33",
        ),
        Key(
            "vectors",
            "integer",
            "required for code",
            "entries of the vector table, the stack pointer among them; 2 to 496",
        ),
        Key("ram", "memory name or names", "any RAM", "where its stack lies, where cores have RAM of their own"),
        Key("run", "slot names", "required", "one or two run slots; with two, each build is linked for one"),
        Key("staging", "slot name", "none", "where an update waits"),
        Key("keep", "slot name", "none", "where the previous image is kept while its run slot is rewritten"),
        Key(
            "way_back", '"kept" or "none"', '"kept"', '"none" must be said for code with one run slot and no keep slot'
        ),
        Key("header", "slot names", "none", "slots for detached headers, one for each run slot"),
        Key("header_block", "integer", "1024", "bytes of the header block: a multiple of 128 from 512 to 8192"),
        Key("hazard", "text", "none", "what can hurt; the package then asks the device for authorisation"),
        Key(
            "needs", "table", "none", 'component name or `bootloader` -> range such as ">=1.3.0, <2.0.0"; at most four'
        ),
        Key("judged", '"boot", "install" or "use"', '"boot"', "when the device judges the payload"),
        Key("outside", "array of tables", "none", "ranges outside the run slots that a firmware file may hold"),
        Key("allowed_key", "array of tables", "none", "private keys that belong in the firmware; others are refused"),
        Key("description", "text", "none", "for people"),
    ),
    "component.NAME.allowed_key": (
        Key("sha256", "text", "required", "of the key's bytes, as the refusal prints it"),
        Key("reason", "text", "required", "why the key belongs there"),
    ),
    "component.NAME.outside": (
        Key("at", "integer", "required", "first address"),
        Key("size", "size", "required", "bytes"),
        Key("drop", "boolean", "false", "true: leave this range out on purpose"),
        Key("carry", "component name", "none", "hand this range to a component of its own"),
    ),
    "bootloader": (
        Key("version", "version", "required", "its version, for requirements"),
        Key("hash_rate", "size", "none", "bytes that it hashes in a second, for estimates"),
        Key("verify_ms", "number", "none", "time that it takes to verify one signature, in ms, for estimates"),
    ),
    "trust": (
        Key("images", "table", "required", "keys for sealed images"),
        Key("packages", "table", "required", "keys for update packages"),
        Key("development", "table", "none", "keys that only judgements with --development admit"),
        Key("apex", "file", "none", "public key of the apex trust anchor, which signs later sets of these keys"),
        Key("contingency", "file", "none", "public key that can replace the apex trust anchor; its thumbprint ships"),
        Key(
            "uncounted",
            "array",
            "none",
            "public key files: packages may be signed by these as well, which counts for nothing",
        ),
    ),
    "trust.images": (
        Key(
            "keys",
            "array",
            "required",
            "public key files, or tables with `key`, `components`, `classes`, `from`, `until`",
        ),
        Key("need", "integer", "1", "distinct signers needed, for each algorithm that must verify"),
    ),
    "trust.packages": (
        Key("keys", "array", "required", "public key files, or tables with `key`, `classes`, `from`, `until`"),
        Key("need", "integer", "1", "distinct signers needed, for each algorithm that must verify"),
    ),
    "trust.development": (
        Key("images", "array", "none", "public key files"),
        Key("packages", "array", "none", "public key files"),
    ),
    "rules": (
        Key(
            "algorithms",
            "array",
            '["ESP256"]',
            "signature algorithms: ESP256, ES256 (packages only), ML-DSA-44; of ESP256 and ES256 the first signs",
        ),
        Key(
            "must_verify",
            '"all" or array',
            '"all"',
            "which of the algorithms must verify; fewer than all only while old devices lack one",
        ),
        Key(
            "unverified",
            "array",
            "none",
            "COSE names of algorithms that nothing here verifies: packages may be signed by these as well",
        ),
        Key(
            "example_keys", '"refuse" or "development"', '"refuse"', '"development" allows them for development images'
        ),
        Key("external_code", '"refuse" or "accept"', '"refuse"', "whether code may run from untrusted memory"),
        Key("minimum_battery", "integer", "none", "mWh that the install sequence asks for"),
        Key(
            "update_priority",
            "integer",
            "0",
            "passed to the device when it is asked for authorisation; smaller is more urgent",
        ),
        Key("trial_attempts", "integer", "3", "starts that a new set gets in trial, after any reset but power-on"),
        Key("trial_power_ons", "integer", "20", "starts that it gets after power-on, counted apart"),
        Key(
            "at_boot",
            '"signature" or "digest"',
            '"signature"',
            'whether signatures are verified at each boot, or once for each set; "digest" needs a slot that holds '
            "the boot mark",
        ),
        Key("sbom", '"optional" or "required"', '"optional"', "whether a release has to name a bill of materials"),
        Key(
            "verifier",
            "text",
            "the exported device code",
            "name of what reads packages on the devices, if it is another; a package outside the device profile then "
            "gets a remark and is not refused",
        ),
    ),
    "limits": (
        Key("down_time", "number", "none", "longest time without a running product in an update, in seconds"),
        Key("update_time", "number", "none", "longest time that the battery sustains an update, in seconds"),
        Key("boot_time", "number", "none", "longest time from reset to start, in seconds"),
    ),
    "factory": (
        Key("bootloader", "file", "none", "the bootloader's firmware: Intel HEX, S-records or ELF"),
        Key("range", "array of tables", "none", "configuration ranges"),
        Key("counters", "table", "the components' counters", "component name -> first anti-rollback counter"),
    ),
    "factory.range": (
        Key("file", "file", "required", "Intel HEX, S-records, ELF, or a flat binary with `at`"),
        Key("at", "integer", "none", "address of a flat binary"),
        Key("what", "text", "configuration", "named in the list of ranges"),
    ),
    "log": (
        Key("path", "file", "required", "the log file; `imgseal log new` makes it"),
        Key("pin", "file", "none", "a file with a head of the log, which `imgseal log pin` writes; see there"),
    ),
    "firmware": (
        Key(
            "after_end",
            '"refuse" or "ignore"',
            '"refuse"',
            "what happens to records behind the end record of Intel HEX",
        ),
    ),
    "gate": (
        Key("raw", "array", "none", "path patterns of flat binaries that are firmware"),
        Key("exception", "array of tables", "none", "artefacts that need not be good, for a time"),
    ),
    "gate.exception": (
        Key("path", "text", "required", "a path pattern"),
        Key("reason", "text", "required", "why they are excused"),
        Key("until", "date", "required", "the last day of it, a TOML date without quotes, in UTC"),
    ),
    "line": (
        Key("members", "array", "required", 'folders of the members\' product files, such as ["gate/*", "pump"]'),
    ),
    "text": (
        Key("language", "language tag", '"en"', "of all texts"),
        Key("description", "text", "none", "what the product is"),
        Key("vendor_name", "text", "none", "the vendor, for people"),
        Key("model", "text", "none", "the model, for people"),
        Key("cautions", "array of text", "none", "what to mind when updating"),
    ),
    "variant.NAME": (
        Key("class", "text", "product.class", "class of the variant"),
        Key("hardware", "range", "product.hardware", "hardware revisions of the variant"),
        Key("memory", "table", "none", "keys of memories that differ, and memories that only this hardware has"),
        Key("slot", "table", "none", "keys of slots that differ, and slots that only this hardware has"),
        Key("component", "table", "none", "keys of components that differ"),
    ),
}
"""Table -> its keys; NAME stands for a name of the maker's choice."""


def keys_of(table: str) -> tuple[str, ...]:
    """Return the names of a table's keys."""
    return tuple(key.name for key in KEYS[table])
