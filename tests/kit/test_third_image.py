"""The kit read by a second implementation, which an engineer has written from the pages and the kit without the code.

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
from make_kit import DATA

PAGE = (Path(__file__).parents[2] / "docs" / "format" / "published-keys.md").read_text()
PUBLISHED = frozenset(re.findall(r"^\| `([0-9a-f]{32})` \|", PAGE, re.MULTILINE))
CASES: list[dict[str, Any]] = [
    case
    for case in json.loads((DATA / "kit.json").read_text())["cases"]
    if not case["name"].startswith(("package-", "anchors-")) and not {"algorithms", "day", "anchors"} & set(case)
]
GUESSED: dict[str, list[str]] = {
    # several findings of one check, and which of two comes first
    "trust-two-unknown": ["trust.unknown-key"],
    "trust-revoked-not-for-this": ["trust.key-not-for-this"],
    "signature-two-bad": ["signature.does-not-verify"],
    "order-flag-before-header-block": ["structure.header-block"],
    "order-header-block-before-version": ["structure.field-invalid"],
    # what is still looked for behind a finding
    "rules-external-code-nowhere": ["rules.external-code", "placement.wrong-address"],
    "order-kind-hides-address": ["identity.wrong-kind", "placement.wrong-address"],
    "order-size-hides-digest": ["placement.larger-than-slot", "digest.payload"],
    "order-vendor-before-dump-size": ["placement.dump-size"],
    "order-digest-hides-rest": ["digest.payload", "content.rest-not-erased"],
    # how many must sign at a desk
    "trust-development-alone-of-two": ["trust.too-few-signatures"],
    # dumps of a detached image
    "detached-dump": ["placement.wrong-slot", "digest.payload"],
    "detached-dump-rest": ["placement.dump-size"],
    "detached-dump-of-header": ["structure.payload-missing"],
    "detached-dump-staging": ["rules.no-package"],
}
"""Case -> what the reader says. Its author guessed so while the page was silent; the page now says what the kit says."""


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


def expected(case: dict[str, Any]) -> list[str]:
    codes: list[str] = GUESSED.get(case["name"], case["codes"])
    return codes


def disagreements(reader: ModuleType) -> list[str]:
    return [case["name"] for case in CASES if judged(case, reader) != expected(case)]


def test_the_second_reader_says_what_the_kit_says() -> None:
    """Every case that needs ESP256 alone: verdict, first code, and every code in order."""
    assert len(CASES) >= 255
    for case in CASES:
        codes = judged(case)
        if case["name"] not in GUESSED:
            assert (case["name"], "refused" if codes else "accepted") == (case["name"], case["verdict"])
            assert (case["name"], (codes or ["accepted"])[0]) == (case["name"], case["first"])
        assert (case["name"], codes) == (case["name"], expected(case))


def test_the_guesses_are_guesses() -> None:
    """None of the exceptions is one by mistake, they stay few, and none lets pass what the kit refuses."""
    named = {case["name"]: case["codes"] for case in CASES}
    assert [name for name, codes in GUESSED.items() if named[name] == codes] == []
    assert len(GUESSED) <= 15
    assert all(GUESSED.values())


@pytest.mark.parametrize(
    ("right", "wrong", "broken"),
    [
        ("base < stack <= base + size", "base <= stack <= base + size", ["content-stack-ram-start"]),
        ("0 < half < P256_ORDER", "0 <= half <= P256_ORDER", ["r-n", "r-zero", "s-n", "s-zero"]),
        (
            "if findings:\n        return Trust(tuple(findings))",
            "if findings and not trusted:\n        return Trust(tuple(findings))",
            ["order-key-hides-signature", "trust-revoked-second"],
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
