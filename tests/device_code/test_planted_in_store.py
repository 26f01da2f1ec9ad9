"""Faults planted in what keeps packages in flash, one a case: every cut, what the log says, and the estimate have to find each."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from long_runs import every_fifth
from stages import text_of
from test_planted_in_c import planted
from test_store_in_c import FLASH, operations, overflows, said, update, wrongly_believed

from imgseal.product.model import Product
from imgseal.rehearse.life import Stage
from imgseal.rehearse.play import rehearse
from imgseal.window import ByteView

CUTS, WIDE, BELIEF, ESTIMATE, ROOM = "cuts", "cuts, wide units", "belief", "estimate", "room"
ERASE_LOG = "        code = erase_range(b, s->slot.base + s->room, s->slot.size - s->room);\n"
ERASE_BLOCK = "    return code == SEAL_WRITTEN ? erase_range(b, s->slot.base + s->position, s->block) : code;\n"
FAULTS = [
    ("log not erased", ERASE_LOG, "", CUTS),
    ("block not erased", ERASE_BLOCK, "    return code;\n", CUTS),
    ("entries on one another", "log_at(s, s->notes++)", "log_at(s, s->notes)", CUTS),
    ("last page left out", "s->fill != 0 && flush(s) != SEAL_WRITTEN", "0", CUTS),
    ("entries that share a unit", "    s->entry = g.unit > ENTRY ? g.unit : ENTRY;\n", "    s->entry = ENTRY;\n", WIDE),
    ("package goes on where its block is not whole", "    s->complete = s->position / s->block;\n    return", "    s->complete = s->position / s->block + 1;\n    return", BELIEF),
    ("log believed", "look(s, s->complete * s->block) != SEAL_ACCEPTED || !i->judged", "(look(s, s->complete * s->block), !i->judged)", BELIEF),
    ("log of another package", "\n        || seal_differ(tag, i->package.digest, TAG) != 0)", ")", BELIEF),
    ("nothing noted", "    return note(s);\n}\n\n/* Before the first byte", "    return code;\n}\n\n/* Before the first byte", BELIEF),
    ("not noted where it goes on", "        if (code == SEAL_WRITTEN && s->complete != 0)\n            code = note(s);\n", "", BELIEF),
    ("noted again for each page", "s->position / s->block <= s->complete", "s->position / s->block < s->complete", ESTIMATE),
    ("package runs over its log", "    if (s->position >= s->room)\n        return SEAL_PLACEMENT_LARGER_THAN_SLOT;\n", "", ROOM),
]  # fmt: skip


def cut_wrongly(library: InstallLibrary, stage: Stage, package: ByteView) -> bool:
    played = rehearse(stage, package, pairs=0, seed="s", programs=programs_with_installer(library))
    return played.violation is not None


def other_operations(library: InstallLibrary, stage: Stage, package: ByteView) -> bool:
    once = said(library.of, package)
    return operations(library, stage, package)[: len(once)] != once


def kept(how: str) -> tuple[Product, Stage, ByteView]:
    if how == WIDE:
        return update("data in the NOR", "internal", FLASH["units of 256"])
    if how == ESTIMATE:
        return update("data in the NOR", "internal", text_of("data in the NOR").replace("page = 2048", "page = 256"))
    return update("data in the NOR", "internal")


FIND: dict[str, Callable[[InstallLibrary, Stage, ByteView], object]] = {
    CUTS: cut_wrongly,
    WIDE: cut_wrongly,
    BELIEF: wrongly_believed,
    ESTIMATE: other_operations,
}


@pytest.mark.parametrize(("name", "old", "new", "how"), every_fifth(FAULTS))
def test_it_is_found(name: str, old: str, new: str, how: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_store.c", old, new)
    if how == ROOM:
        assert overflows(sources, tmp_path)
        return
    of, stage, package = kept(how)
    library = InstallLibrary(of, tmp_path, sources, ("-O1", "-w"), pieces=(512,))
    assert FIND[how](library, stage, package), "not found"
