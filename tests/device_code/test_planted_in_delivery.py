"""Faults planted in what reads deliveries: each is found by an offer that the judge answers otherwise, or by an installation."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import programs_with_installer
from delivered import TWO, context, made
from long_runs import every_fifth, long
from spoilt import NOR, every_byte, in_the_nor, offers
from test_deliveries_in_c import ASKED, answered, in_c, library, newer, otherwise
from test_kept_deliveries import kept_wrongly
from test_planted_in_c import planted

from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

FLAGS = ("-O1", "-w")
OFFERS, BYTES, PLACE, CUTS, ASKS, KEPT = "offers", "every byte", "no second place", "cuts", "asks", "kept"
DELIVERY, INSTALL, PACKAGE, STORE = "seal_delivery.c", "seal_install.c", "seal_package.c", "seal_store.c"
OWN_KEY = "around a release by its own key"

FAULTS = [
    # what is planted, in which file, what stands there, by what, who finds it; an offer by its name
    ("signature not asked", DELIVERY, "    if (code != SEAL_ACCEPTED)\n        return code;\n    if (d->wrapper[3] > d->room)", "    if (d->wrapper[3] > d->room)", OFFERS),
    ("by whomever", PACKAGE, "        return signers != 0 ? SEAL_ACCEPTED", "        return SEAL_ACCEPTED ? SEAL_ACCEPTED", OFFERS),
    ("a key for deliveries satisfies the release", DELIVERY, "    code = seal_check_wrapper(&by", "    i->device.anchors = d->anchors;\n    i->device.anchor_count = (uint8_t)d->anchor_count;\n    code = seal_check_wrapper(&by", OWN_KEY),
    ("keys for packages sign it", DELIVERY, "    by.anchors = d->anchors;\n    by.anchor_count = (uint8_t)d->anchor_count;\n", "", "by a key for packages"),
    ("any manifest", DELIVERY, "    return d->left == 0 && d->said == stop && d->counted", "    return 1 || d->counted", BYTES),
    ("commands not counted", DELIVERY, " && d->counted == d->items && ", " && ", BYTES),
    ("what stands behind a row", DELIVERY, "            if (*at++ != op)", "            if (at++ == 0)", BYTES),
    ("numbers that are expected", DELIVERY, "            if (value != d->expected)", "            if (0)", BYTES),
    ("run slot said twice", DELIVERY, " || d->value[0] != d->run_slot", "", BYTES),
    ("a payload of another step", DELIVERY, "d->data[0][0] != d->digits[0] || d->data[0][1] != d->digits[1] || ", "", BYTES),
    ("any directive", DELIVERY, " || d->value[1] - TAKE > 1", "", BYTES),
    ("where a branch ends", DELIVERY, "wanted != items || d->command != stop", "wanted != items", BYTES),
    ("how much a branch has", DELIVERY, "wanted != items || d->command != stop", "d->command != stop", BYTES),
    ("branches of two components", DELIVERY, "    if ((d->left != 0) != ((place ^ d->place) >> 9 == 0))", "    if (0)", OFFERS),
    ("steps out of their places", DELIVERY, "    if (behind == 0 || *d->data[2] != step)", "    if (behind == 0)", BYTES),
    ("steps in any order", DELIVERY, "    d->place = place;\n", "", OFFERS),
    ("a step twice", DELIVERY, "    return place > last;", "    return place >= last;", OFFERS),
    ("run slots in any order", DELIVERY, " << 8 | d->run_slot) << 1;", " << 8) << 1;", OFFERS),
    ("without a base in front", DELIVERY, "place | (d->base == 0)", "place | (d->base != 0)", OFFERS),
    ("bases in any order", DELIVERY, "        last = before[k];", "        last = place != before[k] ? 0 : place;", OFFERS),
    ("bases but for their last byte", DELIVERY, "d->base != 0 && k != 32", "d->base != 0 && k != 31", OFFERS),
    ("where common ends", DELIVERY, "    if (at == 0 || at + d->value[0] != stop)", "    if (at == 0)", BYTES),
    ("where install ends", DELIVERY, "    if (at == 0 || at + d->value[0] != d->end)", "    if (at == 0)", BYTES),
    ("any number of steps", DELIVERY, "    return d->steps > SEAL_DELIVERY_STEPS ?", "    return 0 ?", OFFERS),
    ("a manifest of any length", DELIVERY, "    if (d->wrapper[3] > d->room)", "    if (0)", OFFERS),
    ("for any vendor", DELIVERY, "    if (seal_differ(d->vendor, product->vendor_id, 16) != 0)", "    if (0)", OFFERS),
    ("for any class", DELIVERY, "    return seal_differ(d->class_id, product->class_id, 16) != 0 ?", "    return 0 ?", OFFERS),
    ("a release that is not named", DELIVERY, "    if (seal_differ(d->data[3], d->release_digest, 32) != 0)", "    if (0)", OFFERS),
    ("a release with payloads", DELIVERY, "        if (i->judged && i->left != 0)", "        if (0)", OFFERS),
    ("a release that ends early", DELIVERY, "    if (!i->judged)", "    if (0)", OFFERS),
    ("any sequence", DELIVERY, "    return i->package.sequence != d->sequence ?", "    return 0 ?", OFFERS),
    ("steps for nothing of the release", DELIVERY, "        while (part != last && !is_for(d, part))", "        while (0)", OFFERS),
    ("a patch for what has no second place", DELIVERY, "        if (!d->plain && (part->header", "        if (0 && (part->header", PLACE),
    ("payloads missing", DELIVERY, "    if (d->members < RELEASE_MEMBERS + d->steps)\n        return SEAL_RULES_DIRECTIVE_FAILED;\n", "", OFFERS),
    ("payloads too many", DELIVERY, "    return d->members == RELEASE_MEMBERS + k ? SEAL_ACCEPTED :", "    return SEAL_ACCEPTED ? SEAL_ACCEPTED :", OFFERS),
    ("bytes behind the envelope", DELIVERY, "    if (d->at != i->stored->size)", "    if (0)", OFFERS),
    ("what is held", DELIVERY, "!part->taken || (i->held >> part->component & 1) != 0", "!part->taken", OFFERS),
    ("builds for the slot that runs", DELIVERY, "!part->taken || (i->held >> part->component & 1) != 0", "(i->held >> part->component & 1) != 0", OFFERS),
    ("a later step for a spoiled patch", DELIVERY, "        if (code != SEAL_DIGEST_BASE)", "        if (code == SEAL_ACCEPTED)", OFFERS),
    ("the first step alone", DELIVERY, "        if (code != SEAL_DIGEST_BASE)", "        if (1)", OFFERS),
    ("refused by a step that does not fit", DELIVERY, "        i->code = SEAL_ACCEPTED;    /* nothing", "        /* nothing", OFFERS),
    ("keys in their order", DELIVERY, "        i->last = 0; ", "        ", OFFERS),
    ("a size that was not signed", DELIVERY, "    return d->length != d->size ? (uint32_t)SEAL_DIGEST_PATCH : (uint32_t)SEAL_ACCEPTED;", "    return SEAL_ACCEPTED;", OFFERS),
    ("what travels for others", DELIVERY, "        if (seal_differ(digest, d->digest, 32) != 0)", "        if (0)", OFFERS),
    ("any base", INSTALL, "        if (!hashes_to(i, base, 0, base->size, patch->base_digest))", "        if (0)", "another base"),
    ("made at the first look", INSTALL, "            i->later |= i->bit;\n", "", OFFERS),
    ("where a plain image lies", DELIVERY, "slot.base = i->position = d->from;", "slot.base = d->from;", CUTS),
    ("what is kept is not hashed", DELIVERY, "    if (code == SEAL_DIGEST_PATCH)\n        return 0;\n", "", KEPT),
    ("of what is kept the release is not judged", DELIVERY, "    if (judge_release(i) != SEAL_ACCEPTED)\n        return 0;\n    d->beyond", "    (void)judge_release(i);\n    d->beyond", KEPT),
    ("whose it is that is kept", DELIVERY, "    move(i->package.digest, digest, 32);\n    return 1;", "    return 1;", KEPT),
    ("where it ends that is kept", DELIVERY, "    i->position = code == SEAL_ACCEPTED ? d->at : 0;", "    i->position = 0;", KEPT),
    ("no delivery is kept", STORE, "i->delivery != 0 && look_at_delivery(i);", "0;", KEPT),
    ("a delivery is refused as a package is", STORE, "    s->refused = code;\n    i->code = SEAL_ACCEPTED;\n", "    s->refused = code;\n", KEPT),
    ("no package is kept as long as it comes", STORE, "            if (s->position / 2 > s->install->room + s->install->delivery->room)\n                return refused;\n", "", KEPT),
    ("it goes on at its start", STORE, "        i->position = length;\n", "        i->position = 0;\n", KEPT),
    ("an image that is not made yet", INSTALL, "is_later(i, part) || !brings_image(part) || c->number", "!brings_image(part) || c->number", ASKS),
    ("no place of its own", INSTALL, "(i->stored == 0 || !patch->plain))", "1)", CUTS),
]  # fmt: skip


def found(how: str, folder: Path, sources: Path) -> bool:
    if how == CUTS:
        return cut_wrongly(folder, sources)
    if how == ASKS:
        change, answers = ASKED[TWO]
        return answered(TWO, change, folder, sources) != answers
    if how == KEPT:
        return kept_wrongly(folder, sources)
    if how == PLACE:
        return otherwise(in_the_nor(), library(NOR, folder, sources, FLAGS)) is not None
    compiled = library(TWO, folder, sources, FLAGS)
    if how in (OFFERS, BYTES):
        return otherwise(offers() if how == OFFERS else every_byte(), compiled) is not None
    named = [offer for offer in offers() if offer.name == how]
    assert len(named) == 1
    try:
        return in_c(named[0], compiled)[0] == "accepted" or otherwise(named, compiled) is not None
    except ViolationError:
        return True


def cut_wrongly(folder: Path, sources: Path) -> bool:
    programs = programs_with_installer(library(NOR, folder, sources, FLAGS))
    for change in newer(NOR):
        data = ByteView(made(change).data)
        if rehearse(set_up(context(NOR), data), data, pairs=0, seed="1", programs=programs).violation is not None:
            return True
    return False


@pytest.mark.parametrize(("name", "file", "old", "new", "how"), every_fifth(FAULTS))
def test_planted_fault_is_found(
    name: str, file: str, old: str, new: str, how: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    assert found(how, tmp_path, planted(tmp_path, file, old, new)), name


@long
def test_every_byte_of_a_manifest(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert otherwise(every_byte(), library(TWO, tmp_path)) is None


def test_what_has_no_second_place(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert otherwise(in_the_nor(), library(NOR, tmp_path)) is None
