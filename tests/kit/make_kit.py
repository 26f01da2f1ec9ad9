"""Writes the kit: cases as files that any implementation can use. The same bytes each time.

    python tests/kit/make_kit.py             writes tests/kit/data
    python tests/kit/make_kit.py --check     compares instead

tests/kit/README.md says what the files are.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from anchor_cases import anchor_cases
from block_cases import block_cases
from delivery_cases import delivery_cases
from image_cases import Case, image_cases
from kit_base import VARIANTS, text_of
from package_cases import package_cases
from patch_cases import patch_cases
from profile_cases import profile_cases
from resolved import resolved
from run_python import OUTSIDE, product_of, verdict_of
from second_cases import second_cases
from workshop import any_public

from imgseal.keys.pem import encode_public

DATA = Path(__file__).parent / "data"
TOO_LARGE = "package-too-large"
KEYS = (
    "keys/images", "keys/radio-only", "keys/other-class", "keys/second", "keys/packages", "keys/other-packages", "keys/second-packages", "keys/apex", "keys/contingency", "keys/deliveries",
    "keys-dev/images", "keys-dev/packages", "keys-dev/printed", "keys/images-pq", "keys/table-only-pq", "keys/packages-pq", "keys-dev/images-pq", "keys-dev/packages-pq",
)  # fmt: skip


def cases() -> Iterator[Case]:
    yield from image_cases()
    yield from package_cases()
    yield from profile_cases()
    yield from block_cases()
    yield from second_cases()
    yield from anchor_cases()
    yield from delivery_cases()


def kit() -> dict[str, bytes]:
    """Return every file of the kit by its path."""
    files: dict[str, bytes] = {}
    for name in VARIANTS:
        files[f"products/{name}.toml"] = text_of(name).encode()
        files[f"products/{name}.json"] = _text(resolved(product_of(name, text_of(name))))
    for key in KEYS:
        files[f"{key}.pub.pem"] = encode_public(any_public(key))
    entries = []
    for case in cases():
        entry: dict[str, object] = {
            "name": case.name,
            "product": case.product,
            "verdict": "refused",
            "first": case.first,
        }
        if case.name == TOO_LARGE:
            entry["artefact"] = {"size": (512 << 20) + 1, "all": 0}
            entries.append({**entry, "codes": [case.first]})
            continue
        files[f"artefacts/{case.name}.bin"] = case.artefact
        entry["artefact"] = f"artefacts/{case.name}.bin"
        if case.payload is not None:
            files[f"artefacts/{case.name}.payload.bin"] = case.payload
            entry["payload"] = f"artefacts/{case.name}.payload.bin"
        if case.slot is not None:
            entry["slot"] = case.slot
        if case.development:
            entry["development"] = True
        if case.device is not None:
            entry["device"] = case.device
        held = {slot: f"held/{slot}-{hashlib.sha256(data).hexdigest()[:8]}.bin" for slot, data in case.held.items()}
        files.update({path: case.held[slot] for slot, path in held.items()})
        if held:
            entry["held"] = held
        if case.algorithms:
            entry["algorithms"] = list(case.algorithms)
        if case.anchors is not None:
            entry["anchors"] = f"anchors/{hashlib.sha256(case.anchors).hexdigest()[:8]}.bin"
            files[str(entry["anchors"])] = case.anchors
        if case.day is not None:
            entry["day"] = case.day
        if case.device_first is not None:
            entry["device_first"] = case.device_first
        if case.difference is not None:
            entry["difference"] = case.difference
        verdict = verdict_of(
            product_of(case.product, text_of(case.product)), case.artefact, payload=case.payload, slot=case.slot, device=case.device,
            held=case.held, development=case.development, day=case.day, anchors=case.anchors,
        )  # fmt: skip
        if verdict.accepted:
            entry["verdict"] = "accepted"
        entries.append({**entry, "codes": [finding.code for finding in verdict.findings]})
    patches, more = _patches()
    files.update(more)
    untrusted = {name: ["internal"] for name in OUTSIDE}
    files["kit.json"] = _text({"format": 1, "untrusted": untrusted, "cases": entries, "patches": patches})
    return files


def _patches() -> tuple[list[dict[str, object]], dict[str, bytes]]:
    rows: list[dict[str, object]] = []
    files: dict[str, bytes] = {}
    for case in patch_cases():
        row: dict[str, object] = {"name": case.name, "first": case.first}
        for key, data in (("patch", case.patch), ("held", case.held)):
            row[key] = path = f"patches/{hashlib.sha256(data).hexdigest()[:8]}.bin"
            files[path] = data
        stated = {key: value for key, value in case.stated._asdict().items() if value is not None}
        row["stated"] = {key: {"size": value.size, "sha256": value.digest.hex()} for key, value in stated.items()}
        rows.append(row)
    return rows, files


def _text(value: object) -> bytes:
    return (json.dumps(value, indent=1, sort_keys=False) + "\n").encode()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true")
    check = parser.parse_args().check
    files = kit()
    there = {str(p.relative_to(DATA)): p.read_bytes() for p in DATA.rglob("*") if p.is_file()}
    if check:
        wrong = sorted(name for name in files.keys() | there.keys() if files.get(name) != there.get(name))
        sys.exit("differs: " + ", ".join(wrong) if wrong else 0)
    for name in there.keys() - files.keys():
        (DATA / name).unlink()
    for name, data in files.items():
        (DATA / name).parent.mkdir(parents=True, exist_ok=True)
        (DATA / name).write_bytes(data)
    print(f"{len(files)} files, {sum(map(len, files.values()))} bytes")


if __name__ == "__main__":
    main()
