"""The kit read by a second implementation that follows the pages alone and imports nothing of imgseal.

The source of truth are the pages in docs/format; where both readers agree with the kit, the page says enough.
"""

import json
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import third_image
from make_kit import DATA, TOO_LARGE

PAGE = (Path(__file__).parents[2] / "docs" / "format" / "published-keys.md").read_text()
PUBLISHED = frozenset(re.findall(r"^\| `([0-9a-f]{32})` \|", PAGE, re.MULTILINE))
CASES: list[dict[str, Any]] = [
    case
    for case in json.loads((DATA / "kit.json").read_text())["cases"]
    if not case["name"].startswith(("package-", "delivery-", "anchors-")) and not {"day", "anchors"} & set(case)
]


def judged(case: dict[str, Any], reader: ModuleType = third_image) -> list[str]:
    """The codes that the second reader finds."""
    found: list[str] = reader.judge(
        json.loads((DATA / "products" / f"{case['product']}.json").read_text()),
        (DATA / case["artefact"]).read_bytes(),
        payload=(DATA / case["payload"]).read_bytes() if "payload" in case else None,
        slot=case.get("slot"),
        device=case.get("device"),
        held={name: (DATA / path).read_bytes() for name, path in case.get("held", {}).items()},
        development=case.get("development", False),
        published=PUBLISHED,
    )
    return found


def disagreements(reader: ModuleType) -> list[str]:
    return [case["name"] for case in CASES if judged(case, reader) != case["codes"]]


def test_the_second_reader_says_what_the_kit_says() -> None:
    """Every case but those of a day, which the reader is not told: verdict, first code, and every code in order."""
    assert len(CASES) >= 305
    assert sum("algorithms" in case for case in CASES) >= 48
    for case in CASES:
        codes = judged(case)
        assert (case["name"], "refused" if codes else "accepted") == (case["name"], case["verdict"])
        assert (case["name"], (codes or ["accepted"])[0]) == (case["name"], case["first"])
        assert (case["name"], codes) == (case["name"], case["codes"])


def test_the_second_reader_refuses_what_is_too_large() -> None:
    """The kit's one case of it is zeros: the size is refused before the magic; a byte less is read."""
    (entry,) = (case for case in json.loads((DATA / "kit.json").read_text())["cases"] if case["name"] == TOO_LARGE)
    product, size = json.loads((DATA / "products" / "kit.json").read_text()), entry["artefact"]["size"]
    assert third_image.judge(product, bytes(size)) == entry["codes"] == ["structure.too-large"]
    assert third_image.judge(product, bytes(size - 1)) == ["structure.unrecognised"]


@pytest.mark.parametrize(
    ("right", "wrong", "broken"),
    [
        (
            "base < stack <= base + size",
            "base <= stack <= base + size",
            ["content-stack-below-any-ram", "content-stack-ram-start"],
        ),
        ('in self.part["ram"]', 'in self.product["ram"]', ["content-stack-of-another-core"]),
        ("0 < half < P256_ORDER", "0 <= half <= P256_ORDER", ["r-n", "r-zero", "s-n", "s-zero"]),
        (
            "if findings:\n            return findings\n        if not self.left:",
            "if findings and not self.left:\n            return findings\n        findings.clear()\n        if not self.left:",
            [
                "order-key-hides-signature",
                "second-other-component",
                "second-other-component-optional",
                "second-revoked",
                "second-revoked-optional",
                "trust-revoked-second",
                "trust-two-needed-one-revoked",
            ],
        ),
        (
            "if algorithm in must and count < need:",
            "if count < need:",
            [
                f"second-{name}-optional"
                for name in (
                    "development-dropped",
                    "development-key",
                    "dropped-beside-unknown",
                    "dropped",
                    "other-parameters",
                    "packages-key",
                    "unknown-key",
                )
            ],
        ),
        (
            "VALUE_LENGTHS = {ESP256: 64, ML_DSA_44: 2420}",
            "VALUE_LENGTHS = {ESP256: 64}",
            ["second-length-2419", "second-length-2421", "second-length-64"],
        ),
        (
            'need = 1 if self.left[0][1]["development"] else',
            "need = 1 if self.statement.flags & DEVELOPMENT else",
            ["trust-flag-of-two-released-alone"],
        ),
        (
            'before = 0 if self.statement.detached else self.part["header_block"]\n        bases',
            'before = 0 if self.part["header"] else self.part["header_block"]\n        bases',
            ["dump-other-form", "rules-external-code-other-form"],
        ),
        (
            "if self.statement.detached and self.payload is not None else self.artefact",
            'if self.statement.detached else self.artefact\n        dumped = dumped or bytes(self.product["slots"][self.slot]["size"])',
            ["detached-dump-of-header-short", "detached-dump-staging-short"],
        ),
        (
            "if name in self.published and not excepted:",
            "if name in self.published:",
            ["trust-published-admitted", "trust-published-admitted-revoked"],
        ),
        (
            'return [*findings, "content.vector-table"]',
            'return ["content.vector-table"]',
            ["content-table-misaligned-and-short"],
        ),
        (
            'statement, _ = read_header(content or b"")',
            'statement = read_statement(content or b"")',
            ["rules-need-held-cut", "rules-need-held-fill"],
        ),
    ],
)
def test_the_comparison_can_fail(right: str, wrong: str, broken: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader with a mistake planted in it disagrees in just the cases that are about it."""
    source = Path(third_image.__file__).read_text()
    assert source.count(right) == 1
    mutant = ModuleType("mutant")
    monkeypatch.setitem(sys.modules, "mutant", mutant)
    exec(compile(source.replace(right, wrong), "mutant", "exec"), mutant.__dict__)
    assert sorted(name.removeprefix("signature-") for name in disagreements(mutant)) == broken
