"""A release serves either run slot of a component that it brings; one device is asked for its free one alone."""

import functools
import itertools
from pathlib import Path

import pytest
from workshop import ALL, BUILD_TIME, Imgseal, any_signer, at, firmware, first, product, trust_of

from imgseal.device_state.device import fresh
from imgseal.errors import RefusedError
from imgseal.flow.release import Job, release
from imgseal.make.pack import pack
from imgseal.make.seal import SealedImage, SealOptions

FILES = firmware()
SIGNERS = (any_signer("keys/images"),), (any_signer("keys/packages"),)


@functools.cache
def sealed() -> tuple[SealedImage, ...]:
    of = product()
    return release(Job(FILES, of, SealOptions(BUILD_TIME, development=False), *SIGNERS, trust_of(of))).images


def packed(names: tuple[str, ...]) -> bytes:
    """A package of some of the images, that nobody has judged."""
    images = tuple(image for image in sealed() if image.placed.slot.name in names)
    return b"".join(pack(images, product(), SIGNERS[1], development=False).pieces())


SLOTS = ("motor-a", "motor-b", "radio", "phrases")
SUBSETS = [names for size in range(1, 5) for names in itertools.combinations(SLOTS, size)]


@pytest.mark.parametrize("names", SUBSETS, ids="+".join)
def test_every_subset_of_builds(names: tuple[str, ...]) -> None:
    """Both builds of a component or none; and what one device with a known free slot says of the same packages."""
    data = packed(names)
    builds = {"motor-a", "motor-b"} & set(names)
    assert first(data, every=True, partial=True) == ("placement.one-build" if len(builds) == 1 else "accepted")
    assert first(data, partial=True) == "accepted"
    for running, free in ((0, "motor-b"), (1, "motor-a")):
        state = fresh(product())._replace(fresh=False, current=at({1: running}))
        said = first(data, state=state, partial=True, every=True)
        assert (said == "placement.no-slot") == (builds != set() and free not in builds)
        assert said != "placement.one-build"


def test_a_release_is_refused_and_one_for_a_single_device_is_not() -> None:
    of = product()
    one = [file for file in FILES if file.name != "motorb.hex"]
    job = Job(one, of, SealOptions(BUILD_TIME, development=False), *SIGNERS, trust_of(of))
    with pytest.raises(RefusedError, match=r"placement\.one-build"):
        release(job._replace(every=True))
    assert len(release(job).images) == 3
    phrases = [file for file in FILES if file.component == "phrases"]
    assert len(release(job._replace(firmware=phrases, every=True)).images) == 1


def test_build_asks_for_both(imgseal: Imgseal, project: Path) -> None:
    said = imgseal("build", ALL[0], *ALL[2:], "--release")
    assert (said.status, "placement.one-build" in said.err) == (1, True)
    assert not (project / "out").exists()
    assert imgseal("build", ALL[0], *ALL[2:]).status == 0
