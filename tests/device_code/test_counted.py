"""How many faults are planted in the C sources, and how many cases the kit has, as the page says it; and that each fault has its place."""

import json
import re

import delivery_batch
import test_another_in_c
import test_delta_in_c
import test_kit_in_c
import test_mark_in_c
import test_package_in_c
import test_patches_installed
import test_planted_in_c
import test_planted_in_delivery
import test_planted_in_install
import test_planted_in_store
import test_planted_in_trust
import test_roles_in_c
import test_storage_in_c
import test_trust_in_c
from batch import DATA
from c_build import ROOT, SOURCES

PAGE = " ".join((ROOT / "docs" / "device-code.md").read_text().split())

MARK = len(test_mark_in_c.BOOT)
INSTALLER = len(test_planted_in_install.FAULTS) + len(test_storage_in_c.INSTALLER) + len(test_patches_installed.FAULTS)
STORE = len(test_planted_in_store.FAULTS)
PATCHES = len(test_delta_in_c.PLANTED)
DELIVERIES = len(test_planted_in_delivery.FAULTS)
OTHERS = (
    len(test_planted_in_c.IMAGE) + len(test_planted_in_c.BOOT) + len(test_planted_in_c.PACKAGE) + len(test_planted_in_trust.JUDGE)
    + len(test_planted_in_trust.KEEP) + len(test_roles_in_c.FAULTS) + len(test_storage_in_c.FAULTS) + 1
)  # fmt: skip


def test_the_page_counts_them() -> None:
    words = "# faults planted in the C sources, # of them in the installer, # in what keeps packages, # in what applies patches and # in what reads deliveries"
    assert counted(words) == (
        MARK + INSTALLER + STORE + PATCHES + DELIVERIES + OTHERS, INSTALLER, STORE, PATCHES, DELIVERIES
    )  # fmt: skip


PLACES = [
    # where it is planted, and what stands there
    *(("seal_image.c", row[1]) for row in test_planted_in_c.IMAGE),
    *(("seal_boot.c", row[1]) for row in (*test_planted_in_c.BOOT, *test_mark_in_c.BOOT, *test_storage_in_c.FAULTS)),
    ("seal_boot.c", test_another_in_c.FORGOTTEN[0]),
    *(("seal_package.c", row[1]) for row in test_planted_in_c.PACKAGE),
    *(("seal_install.c", row[1]) for row in (*test_planted_in_install.FAULTS, *test_patches_installed.FAULTS)),
    *(row[1:3] for row in test_storage_in_c.INSTALLER),
    *(("seal_store.c", row[1]) for row in test_planted_in_store.FAULTS),
    *(("seal_trust.c", row[1]) for row in (*test_planted_in_trust.JUDGE, *test_planted_in_trust.KEEP)),
    *(("seal_trust.c", row[1]) for row in test_roles_in_c.FAULTS),
    *(("seal_delta.c", row[1]) for row in test_delta_in_c.PLANTED),
    *(row[1:3] for row in test_planted_in_delivery.FAULTS),
]


def test_each_fault_has_its_place() -> None:
    """Most are planted with --all alone: a source that was changed would go unnoticed until then."""
    text = {file: (SOURCES / file).read_text() for file in {file for file, _ in PLACES}}
    assert len(PLACES) == MARK + INSTALLER + STORE + PATCHES + DELIVERIES + OTHERS
    assert [place for place in PLACES if place[1] not in text[place[0]]] == []


def test_the_page_counts_the_kit() -> None:
    cases = json.loads((DATA / "kit.json").read_text())["cases"]
    updates, packages, deliveries = (
        sum(case["name"].startswith(area) for case in cases) for area in ("anchors-", "package-", "delivery-")
    )
    assert counted("# sealed images and dumps, # packages, # deliveries, # trust anchor updates") == (
        len(cases) - updates - packages - deliveries, packages, deliveries, updates,
    )  # fmt: skip
    in_c = sum(len(tests.CASES) for tests in (test_kit_in_c, test_package_in_c, delivery_batch, test_trust_in_c))
    assert counted("and # of these cases from C") == (in_c,)
    assert counted("The other # are not for this code") == (len(cases) - in_c,)
    assert counted("The # cases that ML-DSA-44 decides") == (sum("algorithms" in case for case in cases),)
    assert counted("both answers stand in the case, # of them") == (sum("difference" in case for case in cases),)


def counted(words: str) -> tuple[int, ...]:
    """The numbers that the page has where these words have a #."""
    found = re.search(words.replace("#", r"(\d+)"), PAGE)
    assert found is not None, words
    return tuple(map(int, found.groups()))
