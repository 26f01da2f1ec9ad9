"""A verdict as JSON values; docs/format/verdict.schema.json is the contract, a test validates against it."""

from collections.abc import Iterable
from typing import Any

from imgseal.findings import Finding, Verdict

Json = dict[str, Any]
By = tuple[str, str | None, str | None]
"""What a verdict is by: the product file, the variant, and for devices of which channel."""


def verdicts_document(judged: Iterable[tuple[Verdict, By]], tool_version: str, product_file: str) -> Json:
    """Return the document for verdicts, each with what it is by; values may be null.

    `product_file` is the one that was named or found: of a product line, that of the line.
    """
    names = ("product_file", "variant", "channel")
    return {
        "format": 1,
        "imgseal": tool_version,
        "product_file": product_file,
        "verdicts": [{**verdict_document(verdict), **dict(zip(names, by, strict=True))} for verdict, by in judged],
    }


def detail_values(details: Iterable[tuple[str, str]]) -> list[Json]:
    """Return what is said of an artefact as JSON values."""
    return [{"label": label, "text": text} for label, text in details]


def finding_values(findings: Iterable[Finding]) -> list[Json]:
    """Return findings as JSON values."""
    return [{**each._asdict(), "place": each.place._asdict()} for each in findings]


def verdict_document(verdict: Verdict) -> Json:
    """Return what the document says of one verdict."""
    return {
        "artefact": verdict.name,
        "kind": verdict.kind,
        "verdict": "accepted" if verdict.accepted else "refused",
        "device": verdict.device,
        "first_finding": verdict.findings[0].code if verdict.findings else None,
        "details": detail_values(verdict.details),
        "notes": list(verdict.notes),
        "bootloader": None if verdict.bootloader is None else verdict.bootloader._asdict(),
        "layout": None if verdict.layout is None else verdict.layout._asdict(),
        "checks": [
            {
                **{key: getattr(check, key) for key in ("subject", "group", "name", "outcome", "mandatory", "because")},
                "findings": finding_values(check.findings),
            }
            for check in verdict.checks
        ],
    }
