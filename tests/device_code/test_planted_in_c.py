"""Faults planted in the C sources, one a case: the kit or the rehearsal has to find each."""

import os
import shutil
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest
from batch import DATA
from c_boot import Library, programs_in_c
from c_build import CRYPTO, SOURCES, STRICT, bearssl, build_crypto, run, write_config
from c_package import judge_package
from fuzz import DisagreementError
from fuzz_package import PackageFuzzer, many
from generated import Everybody
from generated import many as generated
from kit_base import text_of
from long_runs import every_fifth
from run_python import product_of
from stages import pair
from test_kit_in_c import CASES, PRODUCTS, expected, judge
from test_package_in_c import PRODUCTS as PACKAGE_PRODUCTS
from test_package_in_c import agrees

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.sequence import parse, replay
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

assert CRYPTO
IMAGE = [
    ("format not looked at", "GET32(j, AT_MAJOR) != 1", "0"),
    ("magic not looked at", "seal_differ(s + AT_MAGIC, seal_magic, sizeof seal_magic) != 0", "0"),
    ("hardware order", "LOW(hardware) > HIGH(hardware)", "0"),
    ("link address may overflow", "j->size - 1 > ~j->link", "0"),
    ("entry behind the payload", "j->entry >= j->size", "j->size == 0"),
    ("unknown flags taken", "if (j->detached > 1)", "if (0)"),
    ("reserved bytes not looked at", "return seal_is_zero(slot, RESERVED_BYTES) ? j->accepted : (uint32_t)SEAL_STRUCTURE_FIELD_INVALID;", "return j->accepted;"),
    ("header block too small for its signatures", "header_block < j->values_end", "0"),
    ("header block step", "header_block % HEADER_STEP != 0", "0"),
    ("one key twice", " || seal_differ(other, slot, 20) == 0)", ")"),
    ("slot behind an unused one", "if (seal_get32(other) == 0 || ", "if ("),
    ("requirements not ascending", "number < next || ", ""),
    ("fill not looked at", "uint32_t code = check_erased(j, &j->subject->image, j->values_end, j->header_block, 0xFF);", "uint32_t code = SEAL_ACCEPTED;"),
    ("bytes behind the payload", "room > j->size", "0"),
    ("bytes behind a detached header", "j->subject->image.size > j->header_block", "0"),
    ("payload cut short", "room < j->size)", "room == j->size + 0x7FFFFFFFu)"),
    ("revoked keys taken", "if (is_revoked(j, slot + 4))", "if (0)"),
    ("any trusted key for any component", "(anchor->components & mask) != mask", "(anchor->components & mask) > mask"),
    ("one signer is enough", "if (count < need)", "if (count == 0)"),
    ("r and s may be n", "            return p[i] < order[i];\n    return 0;", "            return p[i] < order[i];\n    return 1;"),
    ("s not looked at", "!seal_is_in_group(value) || !seal_is_in_group(value + 32)", "!seal_is_in_group(value)"),
    ("signature not looked at", "= j->crypto->verify(anchor->x, anchor->y, digest, value);", "= SEAL_VERIFIED;"),
    ("second signature not looked at", "= j->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, j->s, SEAL_STATEMENT_BYTES, value);", "= SEAL_VERIFIED;"),
    ("second signature over less", "j->s, SEAL_STATEMENT_BYTES, value);", "j->s, SEAL_STATEMENT_BYTES - 1, value);"),
    ("first algorithm alone is enough", "for (i = 0; i < SEAL_KINDS; i++) {\n        uint32_t", "for (i = 0; i < 1; i++) {\n        uint32_t"),
    ("second algorithm alone is enough", "for (i = 0; i < SEAL_KINDS; i++) {\n        uint32_t", "for (i = 1; i < SEAL_KINDS; i++) {\n        uint32_t"),
    ("second algorithm always asked for", "signers[SEAL_MUST_VERIFY(j->product, i) == SEAL_KIND_ML_DSA_44]", "signers[i]"),
    ("keys of either kind counted as one", "signers[kind - 1]++;", "signers[0]++, signers[1]++;"),
    ("unknown second key called too few", "(unknown & SEAL_MUST_VERIFY(j->product, i)) != 0", "0"),
    ("unknown first key is anybody's fault", "(unknown & SEAL_MUST_VERIFY(j->product, i)) != 0", "unknown != 0"),
    ("anchor of the other kind", "&& SEAL_KIND_OF(anchor) == kind", ""),
    ("second value read where the first is", "i++, at += length)", "i++, at += 64)"),
    ("other algorithm's length", "|| (algorithm == ML_DSA_44_NUMBER && length != 2420)", ""),
    ("vendor but for its last byte", "s + AT_VENDOR, j->product->vendor_id, 16", "s + AT_VENDOR, j->product->vendor_id, 15"),
    ("class not looked at", "seal_differ(s + AT_CLASS, j->product->class_id, 16) != 0", "0"),
    ("hardware above", "HIGH(hardware) < j->state->hardware_most", "0"),
    ("kind not looked at", "s[AT_KIND] != j->component->kind", "0"),
    ("development images taken", "flagged && !j->state->development", "0"),
    ("code in external flash", "&& !j->slot->trusted", "&& 0"),
    ("requirement met one too late", "compare_version(found->bytes, least) < 0", "compare_version(found->bytes, least) <= 0"),
    ("excluded version taken", "compare_version(version, below) < 0;", "compare_version(version, below) <= 0;"),
    ("missing component taken", "found == 0 ? j->state->whole_set", "found == 0 ? 0"),
    ("staging slots judged like run slots", "j->subject->where == SEAL_WAITING_SLOT", "0"),
    ("equal counters refused", "counter < least", "counter <= least"),
    ("counters not looked at", "counter < least", "0"),
    ("a counter beyond the storage", "counter > c->counter_most || ", ""),
    ("the highest counter refused", "counter > c->counter_most", "counter >= c->counter_most"),
    ("any RAM", "(j->component->ram >> i & 1) != 0 && ", ""),
    ("any jump", "(least != 0 && counter - least > c->counter_jump)", "0"),
    ("no first counter", "least != 0 && counter - least", "counter - least"),
    ("header block of another size", "j->header_block != c->header_block", "0"),
    ("slot full by one too much", "j->size > slot->size - j->start", "j->size > slot->size - j->start + 1"),
    ("slot full one too early", "j->size > slot->size", "j->size >= slot->size"),
    ("image of another slot", "lies->base != slot->base", "0"),
    ("dump of another size", "j->payload->size != lies->size", "0"),
    ("digest not compared", "seal_differ((const uint8_t *)j->digest, j->s + AT_PAYLOAD_DIGEST, 32) != 0", "0"),
    ("vector table anywhere", "((j->link + entry) & (j->component->vector_alignment - 1)) != 0", "0"),
    ("stack at the start of RAM", "stack > j->product->ram[i].base", "stack >= j->product->ram[i].base"),
    ("reset without the Thumb bit", "(reset & 1) == 0 || ", ""),
    ("rest not looked at to its end", "j->payload->size, j->slot->erased)", "j->payload->size - 1, j->slot->erased)"),
]  # fmt: skip
BOOT = [
    ("torn records acted upon", "if (best->copies == COPIES && shown == 1)", "if (best->copies != 0)", "staged outside, kept"),
    ("old record erased first", "    code = store(b, all);\n    if", "    (void)erase_place(b, old);\n    code = store(b, all);\n    if", "two run slots"),
    ("not tidied", "count = b->journal.tidied ? 0 : places(b)", "count = 0", "two run slots"),
    ("attempt not recorded", "    code = commit(b);\n    return code == SEAL_WRITTEN ? start_set(b, verdict, 1, started) : code;", "    code = SEAL_WRITTEN;\n    return code == SEAL_WRITTEN ? start_set(b, verdict, 1, started) : code;", "two run slots"),
    ("never gives up", "r[R_ATTEMPTS] >= b->product->trial_attempts || ", "", "two run slots"),
    ("failed package forgotten", "            r[R_REFUSED_COUNT]++;", "            ;", "two run slots"),
    ("keep slot not filled", "uint32_t code = write_image(b, c, &c->keep, &before.source);", "uint32_t code = erase_range(b, c->keep.base, c->keep.size);", "staged outside, kept"),
    ("nothing kept", "c->keep.size != 0 && r[R_TRIAL]", "c->keep.size == 0 && r[R_TRIAL]", "staged outside, kept"),
    ("torn counter step left", "step = now > 1 ? now : 1", "step = now + 1", "two run slots"),
    ("counters not raised", "code = raise_counter(b, i);\n        else", "code = SEAL_WRITTEN;\n        else", "two run slots"),
    ("sequence not raised", "    move(r + R_SEQUENCE, r + R_TARGET_SEQUENCE, 4);\n", "", "two run slots"),
    ("trial without a way back", "    r[R_PHASE] = PHASE_TRIAL;\n", "    r[R_PHASE] = PHASE_UNPROVEN;\n", "staged outside, kept"),
    ("recovery image half rewritten", "(!b->journal.found || !b->journal.record[R_RECOVERY])", "1", "recovery image"),
    ("run slot not erased", "        code = erase_range(b, to->base, to->size);\n", "        code = to == c->run ? code : erase_range(b, to->base, to->size);\n", "staged outside, kept"),
    ("slot noted before it is written", "    code = rewrite(b, index, &image.source, 1);\n", "    flip_bit(r + R_PLACED, index);\n    code = commit(b);\n    r = b->journal.record;\n    code = rewrite(b, index, &image.source, 1);\n    flip_bit(r + R_PLACED, index);\n", "staged outside, kept"),
]  # fmt: skip

PACKAGE = [
    ("manifest digest not compared", "? (uint32_t)SEAL_ACCEPTED : refusal;", "|| refusal == SEAL_SIGNATURE_MANIFEST_DIGEST ? (uint32_t)SEAL_ACCEPTED : refusal;"),
    ("package signature not looked at", "d->crypto->verify(anchor->x, anchor->y, digest, value) == SEAL_VERIFIED", "1"),
    ("second package signature not looked at", "d->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, message, length, value) == SEAL_VERIFIED", "1"),
    ("first algorithm of a package is enough", "for (i = 0; i < SEAL_KINDS; i++) {\n        const struct tally", "for (i = 0; i < 1; i++) {\n        const struct tally"),
    ("second algorithm of a package is enough", "for (i = 0; i < SEAL_KINDS; i++) {\n        const struct tally", "for (i = 1; i < SEAL_KINDS; i++) {\n        const struct tally"),
    ("blocks of either kind counted as one", "t = &tallies[block.kind - 1];", "t = &tallies[0];"),
    ("one package signer twice", "if ((signers >> index & 1) == 0) {", "if (1) {"),
    ("revoked package key taken", "if (is_listed(d->revoked[0], d->revoked_count, anchor->key_id, 16))", "if (0)"),
    ("severed member not compared", "? (uint32_t)SEAL_ACCEPTED : refusal;", "|| refusal == SEAL_SIGNATURE_SEVERED_MEMBER ? (uint32_t)SEAL_ACCEPTED : refusal;"),
    ("bytes behind the envelope", "(r->text == 0 && at != size) || ", ""),
    ("two lengths for a number", "if (bytes == 1 ? *value < 24 : *value >> 4 * bytes == 0)", "if (0)"),
    ("payload that nobody asked for", "if (r->out->parts != 0 && !give(r, at))", "if (!give(r, at) && 0)"),
    ("image digest not compared", "? (uint32_t)SEAL_ACCEPTED : refusal;", "|| refusal == SEAL_DIGEST_IMAGE ? (uint32_t)SEAL_ACCEPTED : refusal;"),
    ("vendor not compared", "seal_differ(hole[0].data, product->vendor_id, 16) != 0", "0"),
    ("class taken for the vendor", "hole[1].data, product->class_id, 16", "hole[1].data, product->vendor_id, 16"),
    ("no authorisation asked for", "->hazard && !r->asked", "->hazard && 0"),
    ("asked for without its condition", "S(authorised, ALONE(27), INTEGER, COMMAND(27), POLICY)", "S(authorised, ALONE(27), INTEGER)"),
    ("authorisation not waited for", "if (r->asked && !r->device->authorised)", "if (0)"),
    ("battery not looked at", "if (r->device->battery < r->battery)", "if (0)"),
    ("failed before, taken again", "if (is_listed(d->refused[0], d->refused_count, r->out->digest, 32))", "if (0)"),
    ("taken while a trial is open", "if (d->trial_open)", "if (0)"),
    ("older release", "if (r->out->sequence < d->sequence)", "if (0)"),
    ("another release of the same sequence", "if (r->out->sequence == d->sequence && !d->fresh", "if (0"),
    ("slot that is not free", "if (own->run_slots > 1 && part->run_slot != r->device->free_slot[part->component])", "if (0)"),
    ("slot not asked for", "own->run_slots > 1 && !match_number(r, SHAPE(slot)", "own->run_slots > 9 && !match_number(r, SHAPE(slot)"),
    ("slot asked for, of the other build", "S(slot, ALONE(5), EXPECTED,", "S(slot, ALONE(5), ANY(UINT),"),
    ("validate leaves one out", "    return open_sequence(r, &r->validate) && each(r, SHAPE(same));", "    return 1;"),
    ("version not compared", "if (seal_differ(s + SEAL_AT_VERSION, part->version, 16) != 0)", "if (0)"),
    ("image of another component", "own->header_block))\n        return SEAL_IDENTITY_LAYERS_DISAGREE;", "own->header_block)) {\n    }"),
    ("development image in a release", "((s[SEAL_AT_FLAGS] ^ package->development) & 1) != 0", "0"),
    ("component twice", "header != 0 || key <= before;", "header != 0;"),
    ("commands behind the last one", "return r->left == 0 && r->rest == 0;", "return 1;"),
    ("parameters beside the one", "|| r->value != value)", "|| (r->value != value && kind != MAP))"),
    ("command of another code", "|| r->value != value)", "|| (r->value != value && op < COMMAND(0)))"),
    ("index of another component", "S(index, COMMAND(12), EXPECTED)", "S(index, COMMAND(12), ANY(UINT))"),
    ("image of another size", "if (part->length != part->size)", "if (0)"),
    ("severed members of any kind", "        if (r->member[k].length != 0)\n            return SEAL_STRUCTURE_UNSIGNED_MEMBER;", "        continue;"),
    ("header beside no payload", "header != 0 || key <= before;", "key <= before;"),
    ("payload that is missing", "if (part->at == 0)", "if (0)"),
    ("install sequence that is missing", "    if (install == 0)\n        return SEAL_RULES_DIRECTIVE_FAILED;", ""),
    ("version condition of another comparison", "S(equal, ALONE(28), INTO, A(2), N(3))", "S(equal, ALONE(28), INTO, A(2), ANY(UINT))"),
    ("members that are missing", "    if (!match(r, SHAPE(install)))\n        return 0;\n    r->install_digest = hole[0].data;", "    if (may_match(r, SHAPE(install)))\n        r->install_digest = hole[0].data;\n    else\n        count++;"),
    ("members that no device knows", "return r->rest == 0 && count == 0;", "return 1;"),
    ("payloads in any order", "|| window[k] < before[k])", ")"),
    ("one payload twice", "if (k == key_length || ", "if ("),
    ("string that ends before its end", "if (r->rest != r->inside)", "if (0)"),
    ("end of the last string of all", "            if ((op & 0x08) != 0) {\n                r->inside = r->rest - value;\n                continue;\n            }", "            r->inside = r->rest - value;\n            if ((op & 0x08) != 0)\n                continue;"),
    ("start sequence not read", "        r->start = hole[0];\n", ""),
    ("more commands than the sequence says", "            if (r->left < 2)\n                return 0;\n", ""),
]  # fmt: skip


def planted(folder: Path, file: str, old: str, new: str) -> Path:
    """Copy the sources with one place changed."""
    target = folder / "sources"
    shutil.copytree(SOURCES, target, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    text = (target / file).read_text()
    assert text.count(old) >= 1, old
    (target / file).write_text(text.replace(old, new, 1))
    return target


@pytest.fixture(scope="session")
def crypto(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_crypto(tmp_path_factory.mktemp("crypto"), "gcc", ("-O2",), second=True)


@pytest.mark.parametrize(("name", "old", "new"), every_fifth(IMAGE))
def test_the_kit_finds_it(
    name: str, old: str, new: str, crypto: Path, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_image.c", old, new)
    relaxed = [flag for flag in STRICT if flag != "-Werror"]
    for product in PRODUCTS:
        write_config(product_of(product, text_of(product)), tmp_path)
        program = tmp_path / "kit_main"
        run(
            ["gcc", *relaxed, "-w", "-O1", f"-I{tmp_path}", f"-I{sources}", f"-I{bearssl() / 'inc'}", sources / "seal_image.c",
             sources / "seal_bearssl.c", Path(__file__).parent / "kit_main.c", crypto, "-o", program]
        )  # fmt: skip
        cases = [case for case in CASES if case["product"] == product]
        try:
            found = judge(program, cases, tmp_path)
        except AssertionError:
            return  # it read where it must not
        if found != [expected(case) for case in cases]:
            return
    pytest.fail("not found")


@pytest.mark.parametrize(("name", "old", "new", "product"), every_fifth(BOOT))
def test_the_rehearsal_finds_it(
    name: str, old: str, new: str, product: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_boot.c", old, new)
    update = pair(product)
    library = Library(update.product, tmp_path, sources, ("-O1", "-w"))
    package = ByteView(update.first.package)
    blank = fresh(update.product)._replace(fresh=False, hardware=1)
    first = set_up(Context(update.product, update.first.trust, blank, {}), package)
    for seed in "123456":
        for stage, brings in ((update.stage, update.package), (first, package)):
            played = rehearse(stage, brings, pairs=2000, seed=seed, programs=programs_in_c(library))
            if played.violation is not None:
                return
    pytest.fail("not found")


def test_an_erase_that_no_record_precedes(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A run slot that no keep slot has a copy of. Torn flash has to read alike through a reset, so sequences are played."""
    tool("gcc")
    update = pair("data in the NOR")
    had = "if (entry(b, 0, index)[1] != NOTHING && !has_bit(r + R_KEPT, index))"
    faulty = planted(tmp_path, "seal_boot.c", had, had.replace("if (", "if (r[R_TRIAL] && "))
    for number, (sources, breaks) in enumerate(((faulty, {2: "judged"}), (SOURCES, {}))):
        folder = tmp_path / str(number)
        folder.mkdir()
        programs, found = programs_in_c(Library(update.product, folder, sources, ("-O1", "-w"))), {}
        for cut in range(24):
            healthy, sessions = parse(f"any:healthy:reset/{cut}.0!/off")
            error, _ = replay(update.stage, update.package, healthy=healthy, sessions=sessions, programs=programs)
            if error is not None:
                found[cut] = error.invariant
        assert found == breaks


def kit_finds(sources: Path, folder: Path) -> bool:
    """Whether any package of the kit is answered with a code that is none of its findings."""
    for product in PACKAGE_PRODUCTS:
        fuzzer = PackageFuzzer(folder / product, ("-O1",), product, sources)
        for case in fuzzer.cases:
            held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
            said = judge_package(fuzzer.fuzzer, (DATA / case["artefact"]).read_bytes(), case, held)
            if not agrees(case, said) or ("algorithms" in case and said != expected(case)):
                return True
    return False


def generated_find(sources: Path, folder: Path) -> bool:
    everybody = Everybody(folder, ("-O1",), sources)
    return any(generated(everybody, 1, range(start, start + 250)).wrong for start in range(0, 1000, 250))


def mutants_find(sources: Path, folder: Path) -> bool:
    try:
        many(PackageFuzzer(folder, ("-O1",), sources=sources), 1000, seed=2, keep=False)
    except DisagreementError:
        return True
    return False


def in_a_child(find: Callable[[Path, Path], bool], sources: Path, folder: Path) -> bool:
    """The same; what reads where it must not ends the child alone, and is found."""
    child = os.fork()
    if child == 0:
        try:
            os._exit(1 if find(sources, folder) else 0)
        except BaseException:  # noqa: BLE001 - a mistake of this test is no fault found
            traceback.print_exc()
            os._exit(2)
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert ended != 2
    return ended != 0


@pytest.mark.parametrize(("name", "old", "new"), every_fifth(PACKAGE))
def test_a_package_of_the_kit_shows_it(
    name: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    assert in_a_child(kit_finds, planted(tmp_path, "seal_package.c", old, new), tmp_path), "not found"


def test_no_package_of_the_kit_shows_a_fault_that_is_not_there(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert not in_a_child(kit_finds, SOURCES, tmp_path)


@pytest.mark.parametrize(
    ("name", "find"), [("index of another component", generated_find), ("command of another code", mutants_find)]
)
def test_packages_of_other_kinds_show_it(
    name: str, find: Callable[[Path, Path], bool], tool: Callable[[str], str], tmp_path: Path
) -> None:
    """What the kit finds with a case made for it, they find as well."""
    tool("gcc")
    old, new = next(row[1:] for row in PACKAGE if row[0] == name)
    assert in_a_child(find, planted(tmp_path, "seal_package.c", old, new), tmp_path)
