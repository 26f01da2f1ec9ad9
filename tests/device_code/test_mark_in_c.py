"""Booting by digest in the compiled code: the same promises as of the rehearsal's own, and faults planted in the sources."""

import re
from collections.abc import Callable
from pathlib import Path

import mark_rules
import pytest
from c_boot import Library, programs_in_c
from c_build import SOURCES, STRICT, run
from c_mark import compiled
from long_runs import every_fifth, mainly
from marked import MARKED_TWO, board, updated
from stages import MARKED, small
from test_planted_in_c import planted

from imgseal.rehearse.flash import FlashRuleError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.oracle import ViolationError

SANITIZED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


@pytest.mark.parametrize("rule", mark_rules.RULES[:-1], ids=lambda rule: rule.__name__)
def test_rule(rule: Callable[[mark_rules.Make], str | None], tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert rule(compiled(tmp_path, flags=SANITIZED)) is None


@pytest.mark.parametrize("name", mainly("two cores, at boot by digest", MARKED))
def test_every_cut(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Every single cut of an update and of the first installation, and a sample of second ones."""
    tool("gcc")
    assert mark_rules.every_cut(compiled(tmp_path, flags=SANITIZED), (name,), pairs=200) is None


def test_both_write_the_same_mark(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    for name in (MARKED_TWO, "recovery image, at boot by digest"):
        for make in (board, updated):
            ours, theirs = make(name), make(name)
            ours.boot(Programs())
            theirs.boot(compiled(tmp_path)(theirs.facts))
            assert ours.mark() == theirs.mark() != b"\xff" * 32
            assert ours.blocks == theirs.blocks


def test_no_protection_no_start(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A port that brings no protection, or cannot engage it, starts nothing: who runs could write the mark."""
    tool("gcc")
    device = board(MARKED_TWO)
    library = Library(device.facts.product, tmp_path)
    programs = programs_in_c(library)
    assert device.boot(programs).started is not None
    library.refuses_protection = True
    assert device.boot(programs).started is None


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_it_compiles_without_a_warning(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool(compiler)
    from c_build import write_config

    for second in ((), ("-DSEAL_ML_DSA_44",)):
        write_config(small(MARKED_TWO), tmp_path)
        for name in ("seal_image", "seal_boot"):
            run(
                [
                    compiler,
                    *STRICT,
                    *second,
                    "-O2",
                    f"-I{tmp_path}",
                    "-c",
                    SOURCES / f"{name}.c",
                    "-o",
                    tmp_path / "x.o",
                ]
            )


def test_products_without_the_mode_pay_nothing(tool: Callable[[str], str], tmp_path: Path) -> None:
    """What the preprocessor leaves of the sources knows no mark."""
    tool("gcc")
    from c_build import PLAIN

    for name in ("seal_image", "seal_boot"):
        text = run(["gcc", "-E", "-P", f"-I{PLAIN}", SOURCES / f"{name}.c"])
        code = text.split("SEAL_STRUCTURE")[-1]
        assert "struct seal_product" in text
        assert not re.search(r"\bmark_of|\bprotect\b|->mark|\.marked|->marked", code)


CHANGES, SPOILED, VARIANTS, WORN = (
    mark_rules.each_change_costs_signatures, mark_rules.anything_else_means_signatures, mark_rules.once_for_each_set,
    mark_rules.mark_that_cannot_be_written,
)  # fmt: skip


def variants(*names: str) -> Callable[[mark_rules.Make], str | None]:
    """Devices with these trust anchors alone, since each is compiled."""
    return lambda make: mark_rules.once_for_each_set(make, names)


def adversary(make: mark_rules.Make) -> str | None:
    return mark_rules.adversaries(make, ("staged inside, kept, at boot by digest",))


def cuts(*names: str) -> Callable[[mark_rules.Make], str | None]:
    return lambda make: mark_rules.every_cut(make, names, pairs=300)


MEMBERS = "entry(b, 0, 0), set_bytes(b)"
EACH = "i < p->anchor_count; i++) {\n        const struct seal_anchor *a"
WRITES = "    if (b->marked != SEAL_MARKED)\n        write_mark(b, verdict);\n"
RECOVERY = "recovery image, at boot by digest"
STAGED = "staged outside, kept, at boot by digest"
BOOT: list[tuple[str, str, str, Callable[[mark_rules.Make], str | None]]] = [
    ("bound to no set", MEMBERS, MEMBERS.replace("set_bytes(b)", "0u"), adversary),
    ("bound to no set, in a rehearsal", MEMBERS, MEMBERS.replace("set_bytes(b)", "0u"), cuts(STAGED)),
    ("bound to the first member", MEMBERS, MEMBERS.replace("set_bytes(b)", "MEMBER_BYTES"), variants("one key")),
    ("bound to run slots alone", MEMBERS, "entry(b, 0, 0), 4u", CHANGES),
    ("bound to statements alone", MEMBERS, "entry(b, 0, 0) + 4, 32u", CHANGES),
    ("bound to the other set", MEMBERS, MEMBERS.replace("b, 0", "b, 1"), adversary),
    ("bound to no trust anchors", EACH, EACH.replace("p->anchor_count", "0"), variants("one key")),
    ("bound to the first anchor", EACH, EACH.replace("p->anchor_count", "1"), variants("two keys")),
    ("bound to key identifiers alone", "a->key_id, MARK_ANCHOR)", "a->key_id, 16)", variants("one key")),
    ("bound to keys alone", "a->key_id, MARK_ANCHOR)", "a->x, 64)", variants("one key")),
    ("bound to no ML-DSA-44 key", "        if (a->ml_dsa_44 != 0)\n            b->crypto->sha256_add", "        if (0)\n            b->crypto->sha256_add", variants("two algorithms")),
    ("bound to no components of keys", "put32(tail, a->components);", "", variants("for some components")),
    ("bound to no development mark of keys", "tail[4] = a->development != 0;", "", variants("on a desk")),
    ("bound to no kind of keys", "tail[5] = SEAL_KIND_OF(a);", "", variants("one key")),
    ("bound to no revoked keys", "b->crypto->sha256_add(hash, b->revoked[i], 16);", "(void)hash;", CHANGES),
    ("bound to no number of revoked keys", "head[12] = b->revoked_count;", "head[12] = 0;", CHANGES),
    ("bound to no number of anchors", "head[11] = p->anchor_count;", "head[11] = 1;", variants("two keys")),
    ("bound to no number of signers", "head[13] = p->need;", "head[13] = 1;", variants("two signers")),
    ("bound to no kinds", "head[14] = (uint8_t)kinds;", "head[14] = 1;", variants("two algorithms")),
    ("bound to no kinds that must verify", "head[15] = (uint8_t)must;", "head[15] = (uint8_t)kinds;", variants("either algorithm")),
    ("bound to the first kind that must verify", "p->must_verify[0] | p->must_verify[1]", "p->must_verify[0]", variants("two algorithms")),
    ("bound to no development flag", "head[16] = b->development != 0;", "head[16] = 0;", variants("on a desk")),
    ("bound to no hardware", "head[18] = (uint8_t)b->hardware;", "head[18] = 0;", CHANGES),
    ("bound to no bootloader", "move(head + 20, b->bootloader, sizeof b->bootloader);", "clear(head + 20, 16);", CHANGES),
    ("trusted when torn", "    if (seal_differ(there, mark, MARK_BYTES) == 0)\n", "    if (seal_differ(there, mark, 8) == 0)\n        move(there, mark, MARK_BYTES);\n    if (seal_differ(there, mark, MARK_BYTES) == 0)\n", SPOILED),
    ("a beginning looked at", "if (seal_differ(there, mark, MARK_BYTES) == 0)\n        b->marked", "if (seal_differ(there, mark, 8) == 0)\n        b->marked", SPOILED),
    ("trusted when it cannot be read", "        clear(there, MARK_BYTES);", "        move(there, mark, MARK_BYTES);", mark_rules.torn_mark),
    ("trusted whatever it is", "    verdict = judge_set(b, 0);\n    if (b->marked != SEAL_MARKED)\n        return verdict;", "    b->marked = SEAL_MARKED;\n    move(there, mark, MARK_BYTES);\n    verdict = judge_set(b, 0);\n    if (b->marked != SEAL_MARKED)\n        return verdict;", CHANGES),
    ("trusted for the set before", "    b->marked = 0;\n    mark_of(b, mark);", "    mark_of(b, mark);", mark_rules.marked_and_damaged),
    ("written before verification", "    verdict = judge_set(b, 0);\n    if (b->marked != SEAL_MARKED)\n        return verdict;", "    if (b->marked != SEAL_MARKED)\n        write_mark(b, SEAL_ACCEPTED);\n    verdict = judge_set(b, 0);\n    if (b->marked != SEAL_MARKED)\n        return verdict;", cuts(MARKED_TWO)),
    ("written by the application", "    enter(r, PHASE_SETTLING);\n", "    write_mark(b, SEAL_ACCEPTED);\n    enter(r, PHASE_SETTLING);\n", cuts(MARKED_TWO)),
    ("never written", WRITES, "", CHANGES),
    ("written each time", WRITES, "    write_mark(b, verdict);\n", CHANGES),
    ("not erased before", "    if (erase_range(b, slot->base, slot->size) == SEAL_WRITTEN)\n        (void)program_range(b, slot->base", "        (void)program_range(b, slot->base", CHANGES),
    ("needed to start", "    return verdict + (again ^ b->product->component_count);\n}", "    if (b->marked != SEAL_MARKED) {\n        uint8_t x[8];\n        if (b->flash.read(b->flash.user, b->product->mark.base, x, 8) != SEAL_READ || (x[0] & x[1] & x[2] & x[3] & x[4] & x[5] & x[6]) == 0xFF)\n            return SEAL_DEVICE_UNWRITABLE;\n    }\n    return verdict + (again ^ b->product->component_count);\n}", WORN),
    ("stands for the recovery image", "    state->marked = 0;", "    state->marked = SEAL_MARKED;", cuts(RECOVERY)),
    ("protection not engaged", "        engaged = b->protect(b->protect_user, &b->product->mark);", "        engaged = SEAL_WRITTEN;", CHANGES),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "rule"), every_fifth(BOOT))
def test_fault_is_found(
    name: str,
    old: str,
    new: str,
    rule: Callable[[mark_rules.Make], str | None],
    tool: Callable[[str], str],
    tmp_path: Path,
) -> None:
    tool("gcc")
    updated(MARKED_TWO)
    make = compiled(tmp_path, planted(tmp_path, "seal_boot.c", old, new), ("-O1", "-w"))
    try:
        found = rule(make)
    except (AssertionError, FlashRuleError, ViolationError) as error:
        found = str(error) or "the harness stopped"
    assert found is not None, "not found"
