"""Faults planted in seal_trust.c, one a case: the kit, fuzzing or a power cut has to find each."""

from collections.abc import Callable
from pathlib import Path

import pytest
import test_trust_cuts as cuts
from batch import DATA, product
from fuzz import DisagreementError
from fuzz_trust import KIT, TrustFuzzer, many
from long_runs import every_fifth
from test_kit_in_c import expected
from test_planted_in_c import planted
from test_trust_in_c import CASES
from trust_batch import held_set, is_update, runs
from trust_cuts import WAYS, BrokenError, Store, every_cut

from imgseal.rehearse.flash import FlashRuleError
from imgseal.rehearse.oracle import ViolationError

JUDGE = [
    ("magic not looked at", "seal_differ(s, set_magic, sizeof set_magic) != 0 || ", ""),
    ("format not looked at", "get16(s + T_FORMAT) != 1 || ", ""),
    ("bytes behind the set", "size_of(s) != size)", "size_of(s) > size || size_of(s) == 0)"),
    ("33 keys", "keys > SEAL_TRUST_KEYS", "keys > SEAL_TRUST_KEYS + 1"),
    ("31 revoked keys at most", "revoked > SEAL_TRUST_REVOKED", "revoked >= SEAL_TRUST_REVOKED"),
    ("reserved bytes not looked at", "|| !is_zero(key + K_ZEROS, 3)", ""),
    ("good for nothing", "|| components == 0", ""),
    ("package keys limited", "(role != ROLE_IMAGES && components != EVERY)", "0"),
    ("roles in any order", "before[K_ROLE] > role", "0"),
    ("keys in any order", "!is_before(before + K_ID, key + K_ID, ID_BYTES)", "0"),
    ("one key in two roles", "&& !is_listed(key_of(s, 0) + K_ID, index, KEY_BYTES, key + K_ID);", ";"),
    ("identifier but for its last byte", "seal_differ(digest, key + K_ID, ID_BYTES) == 0", "seal_differ(digest, key + K_ID, 15) == 0"),
    ("no signer needed for images", "s[T_NEED_IMAGES] == 0 || ", ""),
    ("more signers than package keys", "s[T_NEED_PACKAGES] > packages)", "s[T_NEED_PACKAGES] > keys)"),
    ("revoked keys in any order", "(i > 0 && !is_before(revoked - ID_BYTES, revoked, ID_BYTES))", "0"),
    ("trusted and revoked", "|| is_listed(key_of(s, 0) + K_ID, keys, KEY_BYTES, revoked))", ")"),
    ("contingency without apex", "return is_zero(spare, DIGEST_BYTES);", "return 1;"),
    ("contingency is the apex", "seal_differ(own, spare, DIGEST_BYTES) != 0 && ", ""),
    ("apex signs images", "&& !is_listed(ids, keys, KEY_BYTES, own)", ""),
    ("contingency signs images", "&& !is_listed(ids, keys, KEY_BYTES, spare)", ""),
    ("apex revoked", "&& !is_listed(revoked_of(s), revoked, ID_BYTES, own)", ""),
    ("contingency revoked", "&& !is_listed(revoked_of(s), revoked, ID_BYTES, spare)", ""),
    ("apex off the curve", "|| !is_point(j->t, j->set + T_APEX)", ""),
    ("signer off the curve", "|| !is_point(j->t, j->set + j->size)", ""),
    ("key off the curve", "if (!is_point(j->t, key_of(j->set, i) + K_POINT))", "if (0)"),
    ("anybody signs", "    if (is_zero(held + T_CONTINGENCY, DIGEST_BYTES) ||", "    if (0 &&"),
    ("device without an apex", "    if (is_zero(held + T_APEX, POINT_BYTES))\n        return SEAL_TRUST_NOT_BY_APEX;\n", ""),
    ("signed by its own apex", "seal_differ(signer, held + T_APEX, POINT_BYTES) == 0", "seal_differ(signer, j->set + T_APEX, POINT_BYTES) == 0"),
    ("signature not looked at", "j->t->crypto->verify(signer, signer + 32, digest, value) != SEAL_VERIFIED", "0"),
    ("signature without the signer", "sha256(j->t, j->set, j->size + POINT_BYTES, digest);", "sha256(j->t, j->set, j->size, digest);"),
    ("s not looked at", "!seal_is_in_group(value) || !seal_is_in_group(value + 32)", "!seal_is_in_group(value)"),
    ("vendor not looked at", "seal_differ(j->set + T_VENDOR, j->t->product->vendor_id, 16) != 0", "0"),
    ("class not looked at", "seal_differ(j->set + T_CLASS, j->t->product->class_id, 16) != 0", "0"),
    ("apex changes its contingency", "return other_apex || other_spare ?", "return other_apex ?"),
    ("contingency is not spent", "if (!other_apex || !other_spare ||", "if (!other_apex ||"),
    ("contingency keeps the apex", "if (!other_apex || !other_spare ||", "if (!other_spare ||"),
    ("contingency leaves no apex", "|| is_zero(new + T_APEX, POINT_BYTES))\n        return SEAL_RULES_APEX_CHANGE;", ")\n        return SEAL_RULES_APEX_CHANGE;"),
    ("revocation undone", "        if (!is_listed(revoked_of(j->set), get16(j->set + T_REVOKED), ID_BYTES, gone + ID_BYTES * i))", "        if (i > 99)"),
    ("taken while a trial is open", "j->running->settled == 1 ?", "1 ?"),
    ("nothing is in use", "return left < j->set[T_NEED_IMAGES] ?", "return 0 ?"),
    ("one signer left is enough", "return left < j->set[T_NEED_IMAGES] ?", "return left == 0 ?"),
    ("a signer that lied is passed over", "            return SEAL_RULES_TRUST_IN_USE;\n        left++;", "            continue;\n        left++;"),
    ("a limited signer is passed over", "        if ((get32(key + K_COMPONENTS) >> index & 1) == 0)\n            return SEAL_RULES_TRUST_IN_USE;", "        if ((get32(key + K_COMPONENTS) >> index & 1) == 0)\n            continue;"),
    ("package keys count for images", "if (key[K_ROLE] == ROLE_IMAGES && seal_differ(slot", "if (seal_differ(slot"),
    ("delivery keys count for images", "if (key[K_ROLE] == ROLE_IMAGES && seal_differ(slot", "if (key[K_ROLE] != ROLE_PACKAGES && seal_differ(slot"),
    ("any key for any component", "(get32(key + K_COMPONENTS) >> index & 1) == 0", "0"),
    ("what is no image counts", "            continue;   /* no image: it does not start today either */", "            return code;"),
    ("same number", "new > held", "new >= held"),
    ("apex raises the generation", "(step == 0 && new > held)", "(new > held)"),
    ("contingency keeps the generation", "j->by_contingency ? step == 1", "j->by_contingency ? new > held"),
    ("contingency skips generations", "j->by_contingency ? step == 1", "j->by_contingency ? step >= 1"),
    ("contingency keeps the list", "    if (j->by_contingency)\n        return SEAL_ACCEPTED;\n", ""),
    ("old spare as apex", "    thumbprint(j->t, new + T_APEX, print);\n    if (seal_differ(print, held + T_CONTINGENCY, DIGEST_BYTES) == 0)\n        return SEAL_RULES_APEX_CHANGE;\n", ""),
    ("old apex as spare", "return seal_differ(print, new + T_CONTINGENCY, DIGEST_BYTES) == 0 ?", "return 0 ?"),
    ("same set refused", "|| is_held(j->t, j->set, j->size))", ")"),
]  # fmt: skip
KEEP = [
    ("mark not looked at", "    f->marked = t->flash.read(", "    f->marked = 1 || t->flash.read("),
    ("mark never seen", "&& seal_differ(s + size + DIGEST_BYTES, f->digest, DIGEST_BYTES) == 0;", "&& 0;"),
    ("torn place 0 left", "(!same[0] || !f[0].marked))", "!same[0])"),
    ("torn place 1 taken", "(!same[1] || (!f[1].marked && (f[0].whole || factory_counts(t, number)))))", "!same[1])"),
    ("place 0 first", "    code = write_place(t, &l, 1, buffer, size);\n    if (code == SEAL_WRITTEN)\n        code = write_place(t, &l, 0, buffer, size);", "    code = write_place(t, &l, 0, buffer, size);\n    if (code == SEAL_WRITTEN)\n        code = write_place(t, &l, 1, buffer, size);"),
    ("number raised first", "    t->set_size = 0;\n    code = write_place(t, &l, 1, buffer, size);", "    t->set_size = 0;\n    code = raise_number(t, get32(buffer + T_NUMBER));\n    if (code == SEAL_WRITTEN)\n        code = write_place(t, &l, 1, buffer, size);"),
    ("number raised when nobody looks", "    if (code == SEAL_WRITTEN && number < f[best].number)\n", "    if (0)\n"),
    ("number raised too far", "t->raise(t->user, number) == SEAL_WRITTEN", "t->raise(t->user, number + 1) == SEAL_WRITTEN"),
    ("digest not compared", "seal_differ(f->digest, s + size, DIGEST_BYTES) != 0 || !is_set(t, s, size)", "0"),
    ("one block erased", "for (at = 0; at < l->place; at += l->block)", "for (at = 0; at < l->block; at += l->block)"),
    ("not erased", "for (at = 0; at < l->place; at += l->block)", "for (at = 0; at < 0; at += l->block)"),
    ("mark in front of the set", "    if (program(t, l, base, s, first) != SEAL_WRITTEN\n", "    if (program(t, l, base + mark, s + mark, l->mark) != SEAL_WRITTEN)\n        return SEAL_DEVICE_UNWRITABLE;\n    if (program(t, l, base, s, first) != SEAL_WRITTEN\n"),
    ("old set counts", "best = f[0].whole && (!f[1].whole || f[1].number < f[0].number) ? 0 : 1;", "best = f[0].whole ? 0 : 1;"),
    ("goes on after a driver has failed", "            return SEAL_DEVICE_UNWRITABLE;\n        at += part;", "            l = l;\n        at += part;"),
]  # fmt: skip

BENCH: list[tuple[str, str, str, Callable[[cuts.Bench], None]]] = [
    ("compiled in after updates", "&& get32(t->factory + T_NUMBER) >= number;", ";", cuts.test_no_place_is_whole),
    ("compiled in without a number", "t->factory != 0 && t->number != 0", "t->factory != 0", cuts.test_no_place_is_whole),
    ("not read back", "|| !reads_as(t, base, s, size + DIGEST_BYTES)", "", cuts.test_flash_that_lies),
    ("set of another class in flash", "|| !is_ours(t, s)", "", cuts.test_a_set_of_another_class_does_not_count),
    ("form not looked at in flash", "|| !is_set(t, s, size) || !is_ours", "|| !is_ours", cuts.test_what_breaks_the_form_does_not_count),
    ("below the number", "|| get32(s + T_NUMBER) < least)", ")", cuts.test_below_the_monotonic_number_nothing_counts),
    ("written behind the place", "l.places != 2 || mark_of(&l, size) + l.mark > l.place", "0", cuts.test_a_set_that_is_too_large_for_its_place),
    ("same set written again", "    if (is_held(t, buffer, size))\n        return SEAL_ACCEPTED;\n", "", cuts.test_the_same_set_again_writes_nothing),
    ("stored as it is read later", "    move(t->set, buffer, size);", "    (void)update->read(update->user, 0, t->set, size);", cuts.test_an_update_is_read_once),
    ("packages' keys among the images'", "            out->packages++;", "            out->images++;", cuts.test_keys_of_the_held_set),
]  # fmt: skip
SEARCHED = ("wide units", "compiled in", "32 keys")


@pytest.mark.parametrize(("name", "old", "new"), every_fifth(JUDGE))
def test_kit_or_fuzz_finds_it(name: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    fuzzer = TrustFuzzer(tmp_path, ("-O1", "-w"), planted(tmp_path, "seal_trust.c", old, new))
    for case in CASES:
        if case["product"] != KIT or not is_update(case):
            continue
        slots = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
        raw = (DATA / case["artefact"]).read_bytes()
        if judged(fuzzer, raw, held_set(case), case, slots) != expected(case):
            return
    with pytest.raises((DisagreementError, AssertionError)):
        many(fuzzer, 4000, seed=2)


def judged(fuzzer: TrustFuzzer, raw: bytes, held: bytes, case: dict[str, object], slots: dict[str, bytes]) -> str:
    return fuzzer.judge_against(raw, held, runs(product(KIT), case.get("device")), slots)  # type: ignore[arg-type]


@pytest.mark.parametrize(("name", "old", "new"), every_fifth(KEEP))
def test_a_cut_finds_it(name: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_trust.c", old, new)
    stores = [Store(WAYS[way], tmp_path / str(number), sources, ("-O1",)) for number, way in enumerate(SEARCHED)]
    with pytest.raises((BrokenError, FlashRuleError, ViolationError)):
        search(stores, 12)


def search(stores: list[Store], seeds: int) -> None:
    for seed in range(seeds):
        for store in stores:
            every_cut(store, 1, pairs=not store.way.many, first_seed=seed)


@pytest.mark.parametrize(("name", "old", "new", "test"), every_fifth(BENCH))
def test_a_test_finds_it(
    name: str, old: str, new: str, test: Callable[[cuts.Bench], None], tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_trust.c", old, new)
    with pytest.raises((AssertionError, FlashRuleError, StopIteration)):
        test(cuts.Bench(tmp_path, sources=sources))
