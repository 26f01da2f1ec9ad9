"""Faults planted in the compiled installer, one a case: the model's answers, its ends or the rehearsal have to find each."""

from collections.abc import Callable
from pathlib import Path

import pytest
from answers import CIRCUMSTANCES, FACTS, Question
from c_install import InstallLibrary, programs_with_installer
from changes import before, changes, device, package, starts
from long_runs import every_fifth
from packages import trust, variant_of
from stages import pair
from test_install_in_c import end, free_slots
from test_install_refuses import circumstances, floors
from test_install_turns import after_another_package, signed_again_for_the_other_slot
from test_planted_in_c import planted
from variants import product

from imgseal.check.context import Context
from imgseal.rehearse.life import Programs
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

ANSWERS, ENDS, CUTS, TURNS = "answers", "ends", "cuts", "turns"
TWO, STAGED, CORES, NOR, RESCUE = (
    "two run slots",
    "staged outside, kept",
    "two cores",
    "data in the NOR",
    "recovery image",
)
DETACHED, HEADS = "detached, two run slots", "detached, staged and kept"
FAULTS = [
    # name, what stands there, what is planted, who finds it, in which product
    ("slot that runs written", "running(i, k)[1] == 0;", "running(i, k)[1] != 0;", CUTS, TWO),
    ("set before not taken over", "    copy_set(b);\n    return commit(b);", "    return commit(b);", ENDS, CORES),
    ("target's sequence not recorded", "    put32(r + R_TARGET_SEQUENCE, i->package.sequence);\n", "", ENDS, TWO),
    ("another package goes on", "PHASE_DELIVERING && seal_differ(r + R_TARGET_DIGEST, i->package.digest, 32) == 0)", "PHASE_DELIVERING)", TURNS, TWO),
    ("member not recorded", "        move(m + 4, part[!i->headed].digest, 32);    /* a header stands behind its payload */\n", "", ENDS, TWO),
    ("run slot not recorded", "        m[1] = part->run_slot;\n", "", ENDS, TWO),
    ("delivered before it is whole", "    if (i->component->detached && (i->half & i->bit) == 0) {", "    if (0) {", CUTS, HEADS),
    ("digest not compared", "        if (seal_differ(i->digest, part->digest, 32) != 0)\n            return SEAL_DIGEST_IMAGE;", "        if (0)\n            return SEAL_DIGEST_IMAGE;", ANSWERS, CORES),
    ("staging slot not erased", "(place != &c->staging || (i->half & i->bit) == 0))", "place != &c->staging)", CUTS, STAGED),
    ("run slot not erased", "(place != &c->staging || (i->half & i->bit) == 0))", "(place == &c->staging && (i->half & i->bit) == 0))", CUTS, TWO),
    ("header slot not erased", "            code = erase_range(b, place->base, place->size);", "            code = part->header ? code : erase_range(b, place->base, place->size);", CUTS, DETACHED),
    ("erased again for the second part", "(place != &c->staging || (i->half & i->bit) == 0))", "1)", ENDS, HEADS),
    ("unit with the magic left out", "            code = program(i, i->base, i->statement, i->first);", "            code = SEAL_WRITTEN;", ENDS, TWO),
    ("nothing flushed at the end", "        code = flush(i);\n        if (code == SEAL_WRITTEN)\n            code = program(", "        if (code == SEAL_WRITTEN)\n            code = program(", ENDS, TWO),
    ("no trial offered", ", trial = i->startable;", ", trial = 0;", ENDS, TWO),
    ("trial on a set that does not start", ", trial = i->startable;", ", trial = 1;", ENDS, TWO),
    ("one run slot not switched", "        switched = 1;\n", "", ENDS, STAGED),
    ("images not judged", "        code = judge_images(i);\n", "        code = SEAL_ACCEPTED;\n", ANSWERS, CORES),
    ("bootloader's version not known", "    know_version(i, 0, b->bootloader);\n", "    know_version(i, 0, b->versions[i->versions].bytes);\n", ANSWERS, "demo"),
    ("floor not looked at", "record_of(i)[R_UNRAISED] != 0 && named(b, 0, k)", "0 && named(b, 0, k)", ANSWERS, "floor"),
    ("release that runs installed again", "        if (i->begun || !is_running(i))\n", "", ENDS, TWO),
    ("recovery image rewritten unmarked", "            record_of(i)[R_RECOVERY] = 1;\n            code = commit(b);\n", "", CUTS, RESCUE),
    ("recovery image marked for ever", "        r[R_RECOVERY] = 0;\n", "        (void)r;\n", ENDS, RESCUE),
    ("last thing that runs rewritten", "(c->recovery && !i->startable) || runs_whole", "runs_whole", ENDS, RESCUE),
    ("what runs written again", "    i->unchanged |= there & ~differs;", "", ENDS, CORES),
    ("damaged image left alone", " && holds(i, run_place(part)->base, part))\n", ")\n", ENDS, CORES),
    ("other signatures taken for another image", "runs_whole(i, part, i->digest))\n", "0)\n", ENDS, STAGED),
    ("failed before, taken again", "    d->refused_count = r[R_REFUSED_COUNT];", "    d->refused_count = 0;", ANSWERS, CORES),
    ("taken while a trial is open", "    d->trial_open = r[R_PHASE] == PHASE_TRIAL;", "    d->trial_open = 0;", ANSWERS, CORES),
    ("older release", "    d->sequence = get32(r + R_SEQUENCE);", "    d->sequence = 0;", ANSWERS, CORES),
    ("release that is there not known", "    d->manifest_digest = r + R_MANIFEST_DIGEST;", "    d->manifest_digest = r;", ANSWERS, CORES),
    ("revoked keys taken", "    d->revoked_count = b->revoked_count;", "    d->revoked_count = 0;", ANSWERS, CORES),
    ("payload that nobody asked for", "    if (i->part == 0)\n        return SEAL_STRUCTURE_UNSIGNED_MEMBER;", "    if (i->part == 0)\n        i->part = &i->package.part[0];", ANSWERS, CORES),
    ("text hashed without its head", "            begin_hash(i, p, i->used - i->mark);\n", "            begin_hash(i, p, 0);\n", ANSWERS, CORES),
    ("prepared bits of an older delivery kept", "    clear(r + R_ATTEMPTS, 14);  /* starts, prepared, kept and placed stand side by side */\n", "", TURNS, TWO),
    ("build written for nothing stays", "        if ((i->unchanged & BIT(k)) != 0) {", "        if (0) {", TURNS, TWO),
    ("written at the first look", "        } else if (!i->dry) {", "        } else {", ANSWERS, CORES),
]  # fmt: skip


def wrong_ends(name: str, library: InstallLibrary) -> bool:
    """Whether any package that changes a part of what runs ends otherwise than the model says."""
    of = before(name)[0].product
    for start in starts(name):
        for change in changes(name):
            library.in_storage = False
            state, contents = device(name, start)
            data = ByteView(package(change))
            stage = set_up(Context(of, before(name)[0].trust, state, contents), data)
            for healthy in (True, False):
                try:
                    ended = end(stage, data, programs_with_installer(library), healthy=healthy)
                except ViolationError:
                    return True
                if free_slots(stage, ended) != free_slots(stage, end(stage, data, Programs(), healthy=healthy)):
                    return True
    return False


def wrong_after_a_cut(name: str, library: InstallLibrary) -> bool:
    update = pair(name)
    return any(
        rehearse(
            update.stage, update.package, pairs=pairs, seed=seed, programs=programs_with_installer(library)
        ).violation
        is not None
        for pairs, seed in ((0, "1"), (0, "2"), (3000, "3"))
    )


def wrong_turns(_name: str, library: InstallLibrary) -> bool:
    """Whether another package after a cut, or one that was signed again, leaves something else."""
    return bool(after_another_package(library) or signed_again_for_the_other_slot(library))


def wrong_answers(name: str, sources: Path, folder: Path) -> bool:
    if name == "floor":
        return bool(floors(InstallLibrary(pair(CORES).product, folder, sources, ("-O1", "-w"))))
    parts = frozenset(part.number for part in FACTS[name].parts.values())
    variant = variant_of(Question(name, parts, True, False, False, True, CIRCUMSTANCES[0], 1))
    of = product(variant, update=False)
    library = InstallLibrary(of, folder, sources, ("-O1", "-w"), pieces=(512,), trust=trust(variant))
    return bool(circumstances(name, library, folder))


@pytest.mark.parametrize(("name", "old", "new", "how", "of"), every_fifth(FAULTS))
def test_it_is_found(
    name: str, old: str, new: str, how: str, of: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_install.c", old, new)
    if how == ANSWERS:
        assert wrong_answers(of, sources, tmp_path)
        return
    found = {ENDS: wrong_ends, CUTS: wrong_after_a_cut, TURNS: wrong_turns}[how]
    whose = before(of)[0].product if how == ENDS else pair(of).product
    assert found(of, InstallLibrary(whose, tmp_path, sources, ("-O1", "-w"), pieces=(512, 1))), "not found"
