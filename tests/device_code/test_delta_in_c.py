"""seal_delta.c: what the Python decoder takes it takes, byte for byte, on every compiler and core; faults in it are found."""

import json
import re
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest
from c_build import PLAIN, SOURCES, STRICT, run
from fuzz_delta import cases, compare, fuzz
from long_runs import every_fifth, long
from machines import COMPILER, MACHINES, run_on
from patch_batch import Answer, Case, answers, apply, build, good, write
from small_pairs import RAM, functions, link
from test_planted_in_c import planted

from imgseal.formats.delta import layout
from imgseal.formats.delta.layout import Frame
from imgseal.make.delta.encode import encode

ROWS = json.loads((Path(__file__).parents[1] / "vectors" / "patches.json").read_text())["patches"]
PUBLISHED = [
    (Case(bytes.fromhex(row["old"]), row["size"], bytes.fromhex(row["patch"]), piece), row.get("new"))
    for row in ROWS
    for piece in (0, 1, 50, 5000)
]


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("delta"), "gcc")


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_published(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool(compiler)
    said = apply(build(tmp_path, compiler), [case for case, _ in PUBLISHED])
    for (case, new), answer in zip(PUBLISHED, said, strict=True):
        assert answer == good(bytes.fromhex(new)) if new is not None else answer.result == "bad", case


@pytest.mark.parametrize(("compiler", "seed"), [("gcc", 1), ("clang", 2)])
def test_mutants(compiler: str, seed: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Both decoders say the same of each. The long run is fuzz_delta.py."""
    tool(compiler)
    tally = fuzz(build(tmp_path, compiler), 1500, seed)
    assert len(tally) >= 10
    assert tally["good"] >= 25


@pytest.mark.parametrize("core", MACHINES)
def test_on_cortex_m(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Published patches, and mutants, as far as they fit into 1,000 bytes of RAM for each of old image, new one and patch."""
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    flags = (*machine.flags, "-DROOM=1000u")
    program = build(tmp_path, COMPILER, flags, tail=machine.tail)
    chosen = [
        case
        for case in (*(case for case, _ in PUBLISHED), *islice(cases(3), 800))
        if max(len(case.old), case.size, len(case.patch)) <= 1000
    ]
    assert len(chosen) > 200
    write(chosen, tmp_path / "cases.bin")
    said = answers(run_on(machine, program, cwd=tmp_path))
    results = {compare(case, answer) for case, answer in zip(chosen, said, strict=True)}
    assert len(results) >= 10


def few(seed: int) -> list[Case]:
    return [*(case for case, _ in PUBLISHED), *islice(cases(seed), 600)]


def agree(chosen: list[Case], said: list[Answer]) -> None:
    results = {compare(case, answer) for case, answer in zip(chosen, said, strict=True)}
    assert len(results) >= 10


@long
def test_on_a_big_endian_machine(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A 32-bit PowerPC under QEMU's user mode."""
    for name in ("powerpc-linux-gnu-gcc", "qemu-ppc", "/usr/powerpc-linux-gnu/lib/libc.a"):
        tool(name)
    program = build(tmp_path, "powerpc-linux-gnu-gcc", ("-O1", "-static"))
    chosen = few(4)
    agree(chosen, apply(program, chosen, ("qemu-ppc",)))


def test_nothing_is_decided_by_memory_without_a_value(tool: Callable[[str], str], tmp_path: Path) -> None:
    """MemorySanitizer of clang; the state of the decoder has no value before it begins."""
    tool("clang")
    program = build(tmp_path, "clang", ("-O1", "-g", "-fsanitize=memory", "-fno-sanitize-recover=all"))
    chosen = few(5)
    agree(chosen, apply(program, chosen))


@pytest.mark.parametrize("table", layout.TABLE_ENTRIES)
def test_sizes(table: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Code with pieces pushed and pulled, and state, on a Cortex-M0+: 3.8 KB with 128 entries."""
    tool(COMPILER)
    target = tmp_path / "seal_delta.o"
    flags = ("-mcpu=cortex-m0plus", "-mthumb", "-Os", f"-I{PLAIN}", f"-I{SOURCES}", f"-DSEAL_DELTA_TABLE={table}u")
    run([COMPILER, *STRICT, *flags, "-c", SOURCES / "seal_delta.c", "-o", target])
    code, data, bss = map(int, run(["arm-none-eabi-size", target]).splitlines()[1].split()[:3])
    assert code <= 2560
    assert data == bss == 0
    (tmp_path / "state.c").write_text('#include "seal_delta.h"\nstruct seal_delta state;\n')
    run([COMPILER, *flags, "-c", tmp_path / "state.c", "-o", target])
    state = int(run(["arm-none-eabi-size", target]).splitlines()[1].split()[2])
    assert state <= 2776 + 8 * table  # 3,800 with 128
    undefined = {line.split()[-1] for line in run(["arm-none-eabi-nm", "-u", target]).splitlines() if line}
    assert undefined <= {"seal_clear"}


def test_who_takes_no_patches_pays_nothing(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The installer on a Cortex-M0+ at -Os, with patches and without: what the option adds, and that nothing of it is there."""
    tool(COMPILER)
    sizes = []
    for option in ((), ("-DSEAL_PATCHES",)):
        target = tmp_path / "seal_install.o"
        flags = ("-mcpu=cortex-m0plus", "-mthumb", "-Os", f"-I{PLAIN}", f"-I{SOURCES}", *option)
        run([COMPILER, *STRICT, *flags, "-c", SOURCES / "seal_install.c", "-o", target])
        sizes.append(int(run(["arm-none-eabi-size", target]).splitlines()[1].split()[0]))
        assert bool(option) == ("seal_delta_stored" in run(["arm-none-eabi-nm", target]))
    assert sizes[1] - sizes[0] <= 1124


def test_the_numbers_of_the_page_and_of_both_sides() -> None:
    """Declarations of C, Python and the page say the same."""
    source = (SOURCES / "seal_delta.c").read_text()
    named = dict(re.findall(r"\b([A-Z_]+) = (\d+)", source))
    for ours, theirs in (
        ("LITERAL", "LITERAL"), ("DIFFERENCE", "DIFFERENCE"), ("IS_COPY", "IS_COPY"), ("AGAIN", "AGAIN"), ("FROM_NEW", "FROM_NEW"),
        ("GOES_ON", "GOES_ON"), ("MISSED", "MISSED"), ("NEGATIVE", "NEGATIVE"), ("CORRECTED", "CORRECTED"), ("NUMBERS_AT", "NUMBERS"),
        ("NUMBER", "NUMBER"),
    ):  # fmt: skip
        assert getattr(layout, ours) == int(named[theirs]), ours
    header = (SOURCES / "seal_delta.h").read_text()
    assert f"#define SEAL_DELTA_PLACES {layout.PLACES}u" in header
    page = (Path(__file__).parents[2] / "docs/format/delta.md").read_text()
    for number in (
        layout.PLACES,
        layout.NUMBERS_AT,
        layout.NUMBER,
        layout.IS_COPY,
        layout.AGAIN,
        layout.FROM_NEW,
        layout.GOES_ON,
    ):
        assert f"{number:,}" in page or str(number) in page


def test_a_step_never_waits_inside(host: Path) -> None:
    """Byte by byte and at once the same, of patches that decide much at one place: large numbers, all of them misses."""
    draws = [case for case in islice(cases(12), 400) if case.piece == 0]
    one = [case._replace(piece=1) for case in draws]
    assert apply(host, draws) == apply(host, one)


def big_pair() -> Case:
    """Functions that move in all directions, their calls, and RAM that moves: every kind of field and decision."""
    import random

    draw = random.Random(21)
    before = functions(draw, 150)
    after = [(name, [*parts, *[0xBF00] * draw.choice((0, 0, 2))]) for name, parts in before]
    draw.shuffle(after)
    old, new = link(before, 0x1_0000), link(after, 0x1_0000)
    return Case(old, len(new), encode(old, new, Frame(0x1_0000, 0x1_0000, RAM, 0x1_0000)).data)


PLANTED = [
    ("version not looked at", "if (version != VERSION_CODE && version != VERSION_PLAIN)", "if (0)"),
    ("version 1 only", "version != VERSION_CODE && version != VERSION_PLAIN", "version != VERSION_CODE"),
    ("size not compared", "if ((d->code & (LARGEST - 1)) + 1 != d->source[NEW].size)", "if (0)"),
    ("size without its first bits", "(d->code & (LARGEST - 1)) + 1", "(d->code & 0xFFFF) + 1"),
    ("RAM of any size", "if (log > 15)", "if (0)"),
    ("RAM at one place", "d->ram = d->code & 0xFF000000u;", "d->ram = 0x20000000u;"),
    ("fields in data", "    d->fields = 1;\n", "    ;\n"),
    ("no end of zeros", "else if (++d->over > 4)", "else if (++d->over > 250)"),
    ("three zeros", "else if (++d->over > 4)", "else if (++d->over > 3)"),
    ("five zeros", "else if (++d->over > 4)", "else if (++d->over > 5)"),
    ("rest of code", "d->code != 0 || ", ""),
    ("bytes left", "d->used != d->patch_size || ", ""),
    ("zeros at the end", " || (d->over < 4 && d->last == 0)", ""),
    ("image longer than said", "length > d->source[NEW].size - d->n || ", ""),
    ("in front of the new image", "d->from_new ? o > d->n :", "d->from_new ? 0 :"),
    ("behind the old image", "o > d->source[OLD].size || length > d->source[OLD].size - o", "0"),
    ("begins behind the old image", "o > d->source[OLD].size || ", ""),
    ("ends behind the old image", "o > d->source[OLD].size || length > d->source[OLD].size - o", "o > d->source[OLD].size"),
    ("table without end", "if (d->left - 1 > SEAL_DELTA_TABLE - d->entries)", "if (d->left > 4096)"),
    ("one entry more", "if (d->left - 1 > SEAL_DELTA_TABLE", "if (d->left - 2 > SEAL_DELTA_TABLE"),
    ("one entry less", "if (d->left - 1 > SEAL_DELTA_TABLE", "if (d->left > SEAL_DELTA_TABLE"),
    ("number of 26 bits", "if (++bits == 25)", "if (++bits == 26)"),
    ("number of 24 bits", "if (++bits == 25)", "if (++bits == 10)"),
    ("order of direct bits", "d->range << --bits", "d->range << (--bits & 6)"),
    ("second bit", "v = 2 + bit(d, first + 23 + bits);", "v = 2 + bit(d, first + 24 + bits);"),
    ("last bit", "v << 1 | bit(d, first + NUMBER - 1)", "v << 1 | bit(d, first + NUMBER - 2)"),
    ("eight bits at once", "part = bits < 8 ? bits : 8;", "part = bits < 7 ? bits : 7;"),
    ("number less one", "return v - 1;", "return v;"),
    ("sign", "uint32_t s = 0u - bit(d, NEGATIVE + sign);", "uint32_t s = bit(d, NEGATIVE + sign);"),
    ("one sign for all", "bit(d, NEGATIVE + sign)", "bit(d, NEGATIVE)"),
    ("probability of one", "p -= p >> 4;", "p -= p >> 5;"),
    ("probability of zero", "p += (32768u - p) >> 4;", "p += (32767u - p) >> 4;"),
    ("normalised too late", "while (d->range < TOP)", "while (d->range < TOP >> 1)"),
    ("window of one image", " || d->window_of != d->from_new", ""),
    ("window from anywhere", "d->window_at != from || ", ""),
    ("page that is not written yet", "        if (o >= end)\n            return", "        if (o > end)\n            return"),
    ("pages of their own", "if ((d->n & (SEAL_DELTA_PAGE - 1)) == 0)\n        write_page", "if ((d->n & (SEAL_DELTA_PAGE - 2)) == 0)\n        write_page"),
    ("rest is not written", "    if (rest != 0)\n        write_page(d, rest);\n", ""),
    ("order of a table's half", "if (d->keys[m] < a)", "if (d->keys[m] <= a)"),
    ("entry at the address", "d->flash, t | 1);", "d->flash, t);"),
    ("in front of all entries", "shift = i > low ? d->values[i - 1] : ram ? 0 :", "shift = i > low ? d->values[i - 1] : ram ? 1 :"),
    ("one part for all", "uint32_t low = ram ? d->flash : 0,", "uint32_t low = 0,"),
    ("context of what is foreseen", "context = shift == plain ? 2 : 4;", "context = 2;"),
    ("what is copied along", "t - d->block >= d->end - (d->block - d->base[OLD])", "1"),
    ("no memory of misses", "d->missed[kind] = (uint8_t)missed;", ""),
    ("one memory of misses", "+ d->missed[kind]);", "+ d->missed[0]);"),
    ("as it stood", "t += wide ? plain : 0;", "t += plain;"),
    ("always corrected", "if (now != t && !bit(d, CORRECTED + kind))", "if (!bit(d, CORRECTED + kind))"),
    ("corrections of half a call", "<< wide;", ";"),
    ("classes of corrections", "CALL_OFF + (1 - wide)", "CALL_OFF"),
    ("words at any place", "!from && (o & 3) == 0 &&", "!from &&"),
    ("words come to any place", "        if ((plain & 3) != 0)\n            return 0;\n", ""),
    ("words of new images", "if (!from && (o & 3)", "if ((o & 3)"),
    ("no words of RAM", " || w - d->ram < d->ram_size)", ")"),
    ("calls of anything", "    if (v >= size)\n        return 0;\n", ""),
    ("BL only", "(b & 0x9000u) != 0x9000u", "(b & 0xD000u) != 0xD000u"),
    ("kind of a call", "(b & 0xD000u) | (v >> 1", "0xD000u | (v >> 1"),
    ("sign of a call", "v -= (a & 0x400u) << 14;", ""),
    ("calls of the new image as the old", "from ? NEW_CALL : CALL", "CALL"),
    ("field across the end of a copy", "if (o + 4 <= room && ", "if (o + 4 <= d->end + 2 && "),
    ("field that is not written yet", "d->from_new && d->n < d->end ? d->n : d->end", "d->end"),
    ("fields at odd places", "((o ^ d->n) & 1) == 0 && d->fields && (o & 1) == 0", "((o ^ d->n) & 1) == 0 && d->fields"),
    ("nothing stored", "if (o == d->n && d->from_new) {", "if (0) {"),
    ("literals of one kind", "LITERAL + 256 * (d->n & 1)", "LITERAL"),
    ("difference to anything", "o < (d->from_new ? d->n : d->source[OLD].size)", "o < d->source[OLD].size"),
    ("four literals", "if (literals < 3)", "if (literals < 2)"),
    ("copies of one length", "d->from_new ? NEW_LENGTH : LENGTH", "LENGTH"),
    ("goes on at the old place", "d->old_end = d->end;", ";"),
    ("entry that is not there", ": 0xFFFFFFFFu;", ": 0;"),
    ("a step that stops inside", "#define STEP 96u", "#define STEP 2u"),
]  # fmt: skip


@pytest.fixture(scope="module")
def looked_at() -> list[tuple[Case, Answer | None]]:
    """Cases for planted faults, and what the Python decoder makes of each; None: refused."""
    from imgseal.check.patch import apply_patch

    chosen = [case for case, _ in PUBLISHED] + list(islice(cases(31), 2500)) + list(edges())
    big = big_pair()
    chosen += [big, big._replace(piece=1), big._replace(piece=40)]
    made = [apply_patch(case.patch, case.old, case.size, 128) for case in chosen]
    return [(case, good(image) if isinstance(image, bytes) else None) for case, image in zip(chosen, made, strict=True)]


def edges() -> list[Case]:
    """Patches at the edge of what may be, made by a writer that is told what to decide."""
    from edge_patches import edge_patches

    return list(edge_patches())


def agrees(case: Case, wanted: Answer | None, said: Answer) -> bool:
    return said == wanted if wanted else said.result == "bad" and said.written <= case.size


def test_nothing_planted(host: Path, looked_at: list[tuple[Case, Answer | None]]) -> None:
    said = apply(host, [case for case, _ in looked_at])
    for (case, wanted), answer in zip(looked_at, said, strict=True):
        assert agrees(case, wanted, answer), (case, wanted, answer)


@pytest.mark.parametrize(("name", "old", "new"), every_fifth(PLANTED))
def test_planted_fault_is_found(
    name: str, old: str, new: str, looked_at: list[tuple[Case, Answer | None]], tmp_path: Path
) -> None:
    sources = planted(tmp_path, "seal_delta.c", old, new)
    flags = ("-O1", "-g", "-w", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-Wno-error")
    program = build(tmp_path / "built", "gcc", flags, sources / "seal_delta.c")
    try:
        said = apply(program, [case for case, _ in looked_at])
    except AssertionError:
        return  # a sanitizer found it
    assert not all(agrees(case, wanted, answer) for (case, wanted), answer in zip(looked_at, said, strict=True)), name
