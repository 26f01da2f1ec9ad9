"""Every ceiling on what is read, with its reason. Below the ceiling work is linear in the input."""

CHUNK = 1 << 20
"""Readers take pieces of this many bytes, so that memory does not grow with the file."""

FIRMWARE_BYTES = 1 << 30
"""A firmware file as text: 256 MiB of data in 16-byte records is 720 MiB of Intel HEX."""

IMAGE_BYTES = 256 << 20
"""Data of one firmware image: four times the largest flash of the reference product (512 Mbit = 64 MiB)."""

REGIONS = 65_536
"""Disjoint regions of one firmware image; real files have a few dozen, a hostile one has one a byte."""

LINE_BYTES = 1024
"""A record of text: the longest legal Intel HEX record has 521 characters, the longest S-record 514."""

ARTEFACT_BYTES = 512 << 20
"""A sealed image or package handed to the judge."""

MANIFEST_BYTES = 64 << 10
"""An encoded manifest, and each severable member: devices copy them into RAM before they parse."""

BLOCKS, BLOCK_BYTES = 16, 4800
"""Authentication blocks of one package, and bytes of one: the largest signature of FIPS 204 takes 4,627.

The desk refuses blocks that count for nothing; a device passes over them, and takes at most so many in all. These are
SEAL_BLOCKS_MAX and SEAL_BLOCK_MAX of seal_package.h; a test holds them together.
"""

CBOR_DEPTH = 16
"""Nesting of CBOR items; the deepest published SUIT example needs 8."""

CBOR_ITEMS = 20_000
"""CBOR items decoded from one byte string."""

SEQUENCE_DEPTH = 8
"""Command sequences inside one another; the deepest published SUIT example needs 1."""

TEXT_ARTEFACT_BYTES = 16 << 20
"""An artefact in hex text: reading hostile records one by one must not take longer than a judgement may."""

COMPONENTS = 64
"""Components of one manifest."""

DELIVERY_STEPS, DELIVERY_STEPS_MOST = 12, COMPONENTS - 1
"""Steps of a delivery that devices have room for where the product file says nothing, and that any can have.

The first one is SEAL_DELIVERY_STEPS of seal_delivery.h; a test holds them together.
"""

DEVICE_PARTS, DEVICE_KEY_BYTES = 32, 64
"""Components and payloads of one package, and bytes of a payload's key, that devices have tables for."""

DETACHED_PAIRS = 64
"""Pairs of header and payload of one run slot that are judged; a package of ours has one."""

COMMANDS_RUN = 10_000
"""Commands executed for one procedure, repetitions included."""

HASHED_BYTES = 1 << 30
"""Bytes hashed for one verdict: each image twice, with room."""

HEADER_BLOCK_MIN, HEADER_BLOCK_MAX, HEADER_BLOCK_STEP = 512, 8192, 128
"""Size of a header block; the step keeps a vector table behind it aligned."""

LINE_MEMBERS = 256
"""Patterns of members in the file of a product line, and members of a line."""

PRODUCT_FILE_BYTES = 1 << 20
"""A product file; people write them by hand."""

KEY_FILE_BYTES = 64 << 10
"""A PEM file with one key."""

PASSED_OVER_BYTES = 4 << 30
"""What the gate looks through of a file that does not begin as firmware, to see that there is none behind it."""

REQUEST_BYTES = 32 << 20
"""A signing request; one with firmware is far larger than one without, which takes a few kilobytes."""

RESPONSE_BYTES = 8 << 20
"""A signing response: 1,024 signatures of ML-DSA-44 in base64, with room."""

MAP_BYTES, MAP_LINES = 64 << 20, 1_000_000
"""A linker map; that of a large firmware with debug sections has some ten thousand lines."""

TRUST_BYTES = 8 << 10
"""A trust anchor update: 32 keys and 32 revoked ones are 3,604 bytes."""

STATE_FILE_BYTES = 4 << 20
"""A device state file without slot contents."""

LOG_BYTES = 1 << 30
"""A release log: half a million releases of a product with four components."""

LOG_REASON = 256
"""Characters of a reason that the release log keeps."""

ARCHIVED_FILES = 100_000
"""Files below the folder that earlier packages are looked for in."""

STEPS_TRIED = 64
"""Releases that are tried as the next one on the way of a device to a later release, the newest first."""

LOG_LINE_BYTES = 256 << 10
"""One line of a release log: sixteen variants with sixty-four components each."""

PROOF_BYTES = LOG_LINE_BYTES + (16 << 10)
"""A proof or a head from a release log: one entry and at most 64 hashes."""

SBOM_BYTES = 64 << 20
"""A bill of materials that is exported beside a release."""

ARCHIVE_DEPTH = 4
"""Archives inside one another that the gate opens; build servers wrap what a build has wrapped."""

ARCHIVE_MEMBERS = 100_000
"""Members of one archive on disk, those of archives inside it and headers that belong to members included."""

ARCHIVE_BYTES, ARCHIVE_RATIO = 1 << 30, 100
"""What one archive on disk may unpack to: this many bytes, or this many times its own size, whichever is more.

Images of erased flash shrink a thousandfold, so the ratio alone says little of small archives.
"""

ARCHIVE_DIRECTORY = 32 << 20
"""The directory of a zip archive, which is held as bytes; 100,000 members with long names take 20 MiB."""
