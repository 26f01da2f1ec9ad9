"""Turns that an installation may take: another package comes after a cut, and what runs comes with other signatures.

Both on a product with two run slots, where the build for the free one may come before that for the one in use.
"""

import contextlib
from collections.abc import Callable
from pathlib import Path

from c_install import InstallLibrary, programs_with_installer
from changes import OtherSignature
from stages import files, newer, pair, small
from test_install_in_c import end, free_slots
from workshop import BUILD_TIME, make, signer, trust_of

from imgseal.check.context import Context
from imgseal.flow.release import Job, release
from imgseal.formats.install_record.record import DELIVERING, SETTLED
from imgseal.make.seal import SealOptions
from imgseal.rehearse.apply import apply
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life, Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import ByteView

NAME = "two run slots"


def after_another_package(library: InstallLibrary, again: int | None = 9) -> list[int]:
    """The cuts of one update after which the next release, cut once itself, does not end as it does without the first one."""
    update = pair(NAME)
    later = {**newer(update.product), "release__sequence": "7", "release__version": "1.2.0"}
    third = ByteView(make(small(NAME, **later), files=files(update.product, "three")).package)
    stage = set_up(Context(update.product, update.first.trust, update.state, update.contents), third)
    programs = programs_with_installer(library)
    wanted = end(stage, third, programs, healthy=True)
    wrong: list[int] = []
    cut = 0
    while True:
        first = Life(
            update.stage, SCENARIOS[0], update.package, Judgements(), Noise("one"),
            programs,
        )  # fmt: skip
        first.run(known=set(), cut=cut, tear=Noise("tear"))
        record, _ = read_slots(update.product, first.moment())
        if record is None or record.phase not in (SETTLED, DELIVERING):
            return wrong
        moments = [first.moment()]
        if again is not None:  # the other one is cut as well, once its delivery has begun
            there = stage._replace(moment=moments[0])
            other = Life(there, SCENARIOS[0], third, Judgements(), Noise("two"), programs)
            with contextlib.suppress(ViolationError):  # the other life of the same moment says so
                other.run(known=set(), cut=again, tear=Noise("tear"))
                moments.append(other.moment())
        for moment in moments:
            try:
                ended = end(stage._replace(moment=moment), third, programs, healthy=True)
            except ViolationError:
                ended = ()
            if ended[:3] != wanted[:3]:
                wrong.append(cut)
        cut += 1


def test_another_package_after_a_cut(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert after_another_package(InstallLibrary(pair(NAME).product, tmp_path, pieces=(512, 3))) == []


def signed_again_for_the_other_slot(library: InstallLibrary) -> list[str]:
    """What goes wrong where the device runs from its second slot: the build for the first one comes before its own."""
    update = pair(NAME)
    of = update.product
    ran = apply(Context(of, update.first.trust, update.state, update.contents), update.package)
    held = {name: ByteView(content) for name, content in ran.slots.items()}
    later = small(NAME, **{**newer(of), "release__sequence": "7"})
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    made = release(Job(
        files(later, "two"), later, options, image_signers=(OtherSignature("keys/images"),),
        package_signers=(signer("keys/packages"),), trust=trust_of(later),
    ))  # fmt: skip
    data = ByteView(b"".join(made.package.pieces()))
    stage = set_up(Context(of, update.first.trust, ran.state, held), data)
    wrong = []
    for healthy in (True, False):
        model = end(stage, data, Programs(), healthy=healthy)
        try:
            ended = end(stage, data, programs_with_installer(library), healthy=healthy)
        except ViolationError as error:
            wrong.append(str(error))
            continue
        if free_slots(stage, ended) != free_slots(stage, model):
            wrong.append(f"healthy {healthy}")
        if ended == model:
            wrong.append("nothing was written for nothing")  # the case is another one than it should be
    return wrong


def test_signed_again_for_the_other_slot(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert signed_again_for_the_other_slot(InstallLibrary(pair(NAME).product, tmp_path, pieces=(512, 3))) == []
