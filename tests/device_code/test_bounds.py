"""Sizes that the caller chooses: what cannot work does not compile, and what only shows at run time writes nothing."""

import ctypes
import subprocess
from collections.abc import Callable
from pathlib import Path

import cbor2
import pytest
from c_boot import CODE, Library, programs_in_c
from c_build import SOURCES, write_config
from demo_update import demo_update
from kit_base import text_of
from run_python import product_of
from stages import on_units, pair, pair_of
from test_planted_in_c import planted

from imgseal.device_code.config import options_header
from imgseal.device_code.front import front_bytes
from imgseal.limits import DELIVERY_STEPS, DEVICE_PARTS
from imgseal.product.trust_table import TrustEntry
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.device import Device, Judgements
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse


@pytest.mark.parametrize(
    ("define", "words"),
    [
        ("SEAL_PIECE=7u", "SEAL_PIECE: 8 to 65536 bytes"),
        ("SEAL_PIECE=65537u", "SEAL_PIECE: 8 to 65536 bytes"),
        ("SEAL_PAGE_ROOM=0u", "SEAL_PAGE_ROOM: a multiple of SEAL_WRITE_UNIT"),
        ("SEAL_PAGE_ROOM=12u", "SEAL_PAGE_ROOM: a multiple of SEAL_WRITE_UNIT"),
        ("SEAL_PIECE=8u", ""),
        ("SEAL_PAGE_ROOM=8u", ""),
    ],
)
def test_what_cannot_work_does_not_compile(define: str, words: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    write_config(product_of("kit", text_of("kit")), tmp_path)
    (tmp_path / "device.c").write_text('#include "seal_boot.h"\nuint8_t page[SEAL_PAGE_ROOM];\n')
    command = ["gcc", "-std=c99", f"-D{define}", f"-I{tmp_path}", f"-I{SOURCES}", "-c", "device.c", "-o", "device.o"]
    said = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (said.returncode == 0) == (not words)
    assert words in said.stderr


def test_the_options_name_the_largest_write_unit() -> None:
    """Of memories that hold slots."""
    assert "#define SEAL_WRITE_UNIT 8u " in options_header(demo_update()[0].facts.product)
    assert "#define SEAL_WRITE_UNIT 256u " in options_header(pair_of(on_units("two cores", 256)).product)


def test_the_front_has_room_for_keys_that_count_for_nothing() -> None:
    """A block each, of the largest signature that the tool makes: ML-DSA-44 with 2,420 bytes, FIPS 204 table 2."""
    kit = product_of("kit", text_of("kit"))
    lengths = []
    for count in range(5):
        more = tuple(TrustEntry(f"keys/{number}.pub.pem") for number in range(count))
        lengths.append(front_bytes(kit._replace(trust=kit.trust._replace(uncounted=more))))
    for count, length in enumerate(lengths):
        assert abs(length - lengths[0] - count * (2420 + 15)) < 64


def test_the_options_name_the_parts_of_a_manifest() -> None:
    """Run slots, and for detached images a header beside each payload; no more than any package has."""
    kit = product_of("kit", text_of("kit"))
    parts = sum(len(c.run) + len(c.header or ()) for c in kit.components.values())
    assert 1 < parts < DEVICE_PARTS
    assert any(c.header for c in kit.components.values())
    assert f"#define SEAL_PARTS_MAX {parts}u " in options_header(kit)
    many = {f"{c.name}-{n}": c for c in kit.components.values() for n in range(DEVICE_PARTS)}
    assert f"#define SEAL_PARTS_MAX {DEVICE_PARTS}u " in options_header(kit._replace(components=many))


def test_the_options_name_the_steps_of_a_delivery() -> None:
    """What the product file says, or what holds without it."""
    kit = product_of("kit", text_of("kit"))
    assert f"#define SEAL_DELIVERY_STEPS {DELIVERY_STEPS}u " in options_header(kit)
    more = product_of("kit", text_of("kit") + "\n[delivery]\nsteps = 30\n")
    assert "#define SEAL_DELIVERY_STEPS 30u " in options_header(more)


def test_the_front_has_room_for_a_choice_of_slots() -> None:
    """What each of two builds takes beside its steps in a sequence, at most, is what a second run slot costs there.

    Reference: RFC 8949 for the heads, and the commands of docs/format/package.md.
    """
    index = cbor2.dumps(12) + cbor2.dumps(255)
    slot = cbor2.dumps(20) + cbor2.dumps({5: 1}) + cbor2.dumps(5) * 2
    heads = len(cbor2.dumps(bytes(256))[:-256]) + len(cbor2.dumps([0] * 255)) - 255
    shared = len(index) + len(cbor2.dumps(15)) + len(cbor2.dumps([])) + 1 >> 1  # index and choice, by two builds
    each = len(index + slot) + heads + shared
    of = pair("two run slots").product
    (one,) = of.components.values()
    costs = []
    for run in (one.run, one.run[:1]):
        many = {f"{n}": one._replace(run=run) for n in range(64)}  # the limit is rounded up to a multiple of 64
        costs.append(front_bytes(of._replace(components=many)) - front_bytes(of._replace(components={})) >> 6)
    assert len(one.run[0]) == len(one.run[1])
    assert costs[0] - 2 * costs[1] == 2 * 3 * each


def test_a_page_buffer_without_room_writes_nothing(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The driver's units are what counts: a buffer that is none of them, or too small, is not written past."""
    tool("gcc")
    update = pair("two run slots")
    library = Library(
        update.product, tmp_path, flags=("-O1", "-g", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
    )
    room = ctypes.c_uint32.in_dll(library.library, "shim_page_room")
    for size, code in (
        (0, "device.unwritable"),
        (4, "device.unwritable"),
        (12, "device.unwritable"),
        (8, "accepted"),
        (16, "accepted"),
    ):
        room.value = size
        flash = Flash(update.product, dict(update.stage.moment.blocks), Noise("room"))
        programmed: list[Operation] = []

        def watch(operation: Operation, programmed: list[Operation] = programmed) -> bool:
            programmed += [operation] if operation.data is not None else []
            return False

        flash.watch = watch
        device = Device(update.stage.facts, flash, Counters({}, frozenset(), Noise("")), None, Judgements())
        library.begin(device)
        # a place that shows a second record makes the device copy the one that counts
        place = flash.read("internal", 0x1000, 2048)
        flash.program("internal", 0x1800, place)
        programmed.clear()
        assert library.call("shim_choose", 1) == CODE[code], size
        assert bool(programmed) == (code == "accepted"), size


def test_a_check_in_the_units_of_its_content_is_found(tool: Callable[[str], str], tmp_path: Path) -> None:
    """With wide units the check of a record has to have its own."""
    tool("gcc")
    update = pair_of(on_units("two cores", 256))
    sources = planted(
        tmp_path,
        "seal_boot.c",
        "l->check = whole(b->record_bytes - CHECK_BYTES, g.unit);",
        "l->check = b->record_bytes - CHECK_BYTES;",
    )
    programs = programs_in_c(Library(update.product, tmp_path, sources, ("-O1", "-w")))
    assert rehearse(update.stage, update.package, pairs=0, seed="1", programs=programs).violation is not None
