"""Every finding states what the product or the device has as expected and what the artefact has as found, in both layers.

Two products differ in one thing; what is made for each is judged for the other, as an image and as a package.
"""

import itertools
import json
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from make_kit import DATA
from run_python import product_of, verdict_of
from workshop import Workshop, make, product, verdict, workshop

from imgseal.device_state.device import fresh
from imgseal.findings import Finding
from imgseal.product.model import Product
from imgseal.product.starter import product_text


class Difference(NamedTuple):
    """An edit of the product file, the code of what differs, and its words in one product."""

    old: str
    new: str
    code: str
    words: Callable[[Product], str]
    subjects: tuple[str, ...] = ("package", "motor-a", "radio")


def revisions(of: Product) -> str:
    return f"revisions {of.hardware[0]} to {of.hardware[1]}"


DIFFERENCES = {
    "vendor": Difference('"quillmoor.example"', '"other.example"', "identity.wrong-vendor", lambda p: p.vendor_id.hex()),
    "class": Difference('class = "vent-drive-2"', 'class = "vent-drive-3"', "identity.wrong-class", lambda p: p.class_id.hex()),
    "hardware": Difference('hardware = "2..4"', 'hardware = "7..9"', "identity.wrong-hardware", revisions, ("motor-a", "radio")),
}  # fmt: skip


def shop_of(difference: Difference, other: bool) -> Workshop:
    if not other:
        return workshop()
    assert difference.old in product_text(), difference.old
    return make(product(lambda text: text.replace(difference.old, difference.new)))


def findings(of: Workshop, judged_for: Workshop, subject: str, code: str) -> list[Finding]:
    data = of.package if subject == "package" else of.images[subject]
    return [found for found in verdict(data, judged_for).findings if found.code == code]


@pytest.mark.parametrize("name", DIFFERENCES)
def test_identity_is_expected_of_the_product_and_found_in_the_artefact(name: str) -> None:
    difference = DIFFERENCES[name]
    shops = [shop_of(difference, other=False), shop_of(difference, other=True)]
    for ours, theirs in itertools.permutations(shops):
        said = []
        for subject in difference.subjects:
            found = findings(theirs, ours, subject, difference.code)
            assert found, subject
            for one in found:
                assert difference.words(ours.product) in (one.expected or ""), (subject, one)
                assert difference.words(theirs.product) in (one.found or ""), (subject, one)
                assert difference.words(theirs.product) not in (one.expected or ""), (subject, one)
                said.append((one.message, one.expected, one.found, one.hint))
        assert len(set(said)) == 1, said  # both layers say the same


def test_what_a_device_has_is_expected() -> None:
    """Sequence numbers and counters: those of the device beside those of the artefact."""
    shop = workshop()
    for sequence in (18, 400):
        state = fresh(shop.product)._replace(sequence=sequence, fresh=False, hardware=3)
        (one,) = [f for f in verdict(shop.package, shop, state).findings if f.code == "rollback.sequence-too-low"]
        assert str(sequence) in (one.expected or "")
        assert "17" in (one.found or "")
    for counter in (7, 60):
        state = fresh(shop.product)._replace(counters={1: counter}, fresh=False, hardware=3)
        for data in (shop.package, shop.images["motor-a"]):
            one = next(f for f in verdict(data, shop, state).findings if f.code == "rollback.counter-too-low")
            assert str(counter) in (one.expected or "")
            assert (one.found or "").startswith("6")


def test_a_package_of_another_variant_names_the_option() -> None:
    """As an image of it does: what to do is to judge it for its variant."""
    both = product(lambda text: text + '\n[variant.north]\nclass = "vent-drive-2-north"\n')
    north = product(lambda text: text + '\n[variant.north]\nclass = "vent-drive-2-north"\n', variant="north")
    made, ours = make(north), make(both)
    for data in (made.package, made.images["motor-a"]):
        found = [f for f in verdict(data, ours).findings if f.code == "identity.wrong-class"]
        assert found
        assert all("imgseal check --variant north" in (f.hint or "") for f in found), found
        assert verdict(data, made).accepted


def held_by(of: Product, entry: dict[str, Any]) -> dict[str, list[str]]:
    """What product and device have, by the codes that speak of it."""
    device: dict[str, Any] = entry.get("device") or {}
    sequence = device.get("sequence")
    return {
        "identity.wrong-vendor": [f"{of.vendor_id.hex()} ({of.vendor})"],
        "identity.wrong-class": [f"{of.class_id.hex()} ({of.class_name})"],
        "rollback.sequence-too-low": [] if sequence is None else [str(sequence)],
        "rollback.sequence-reused": [] if sequence is None else [str(sequence)],
    }


def test_over_all_findings_of_the_kit() -> None:
    """Nothing is expected and found alike, and what the product or the device has is never on the side of the artefact."""
    entries = json.loads((DATA / "kit.json").read_text())["cases"]
    products: dict[str, Product] = {}
    looked, told = 0, 0
    for entry in entries:
        if not isinstance(entry["artefact"], str):
            continue
        name = entry["product"]
        if name not in products:
            products[name] = product_of(name, (DATA / "products" / f"{name}.toml").read_text())
        said = verdict_of(
            products[name], read(entry["artefact"]), payload=read(entry["payload"]) if "payload" in entry else None,
            slot=entry.get("slot"), device=entry.get("device"), held={s: read(p) for s, p in entry.get("held", {}).items()},
            development=entry.get("development", False), day=entry.get("day"), anchors=read(entry["anchors"]) if "anchors" in entry else None,
        )  # fmt: skip
        for one in said.findings:
            looked += 1
            assert one.expected is None or one.expected != one.found, (entry["name"], one)
            for value in held_by(products[name], entry).get(one.code, []):
                told += 1
                assert value in (one.expected or ""), (entry["name"], one)
                assert value not in (one.found or "").split(",")[0] or one.code == "rollback.sequence-reused", (
                    entry["name"],
                    one,
                )
    assert looked > 400
    assert told >= 8


def read(path: str) -> bytes:
    return (DATA / path).read_bytes()


@pytest.mark.parametrize(
    ("start", "expected", "found"),
    [
        ("anchors-apex-", "the same two keys", "another key"),
        ("anchors-by-contingency-", "two other keys", "one of the old ones"),
    ],
)
def test_keys_that_an_update_may_not_change_and_those_it_has_to(start: str, expected: str, found: str) -> None:
    """docs/format/trust-anchors.md: the apex trust anchor keeps both keys, the contingency key replaces both."""
    entries = json.loads((DATA / "kit.json").read_text())["cases"]
    of = product_of("kit-apex", (DATA / "products" / "kit-apex.toml").read_text())
    said = [
        (one.expected, one.found)
        for entry in entries
        if entry["name"].startswith(start) and isinstance(entry["artefact"], str)
        for one in verdict_of(
            of, read(entry["artefact"]), payload=None, slot=None, device=entry.get("device"), held={}, development=False,
            anchors=read(entry["anchors"]) if "anchors" in entry else None,
        ).findings
        if one.code == "rules.apex-change"
    ]  # fmt: skip
    assert len(said) >= 3
    assert set(said) == {(expected, found)}
