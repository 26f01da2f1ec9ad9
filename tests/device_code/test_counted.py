"""How many faults are planted in the C sources, as the page says it."""

import re

import test_mark_in_c
import test_planted_in_c
import test_planted_in_install
import test_planted_in_store
import test_planted_in_trust
import test_storage_in_c
from c_build import ROOT

MARK = len(test_mark_in_c.BOOT)
INSTALLER = len(test_planted_in_install.FAULTS) + len(test_storage_in_c.INSTALLER)
STORE = len(test_planted_in_store.FAULTS)
OTHERS = (
    len(test_planted_in_c.IMAGE) + len(test_planted_in_c.BOOT) + len(test_planted_in_c.PACKAGE) + len(test_planted_in_trust.JUDGE)
    + len(test_planted_in_trust.KEEP) + len(test_storage_in_c.FAULTS)
)  # fmt: skip


def test_the_page_counts_them() -> None:
    said = (ROOT / "docs" / "device-code.md").read_text()
    found = re.search(
        r"(\d+) faults planted in the C sources, (\d+) of them in the installer and (\d+) in what keeps packages", said
    )
    assert found is not None
    assert tuple(map(int, found.groups())) == (MARK + INSTALLER + STORE + OTHERS, INSTALLER, STORE)
