"""All 23 published SUIT envelopes before the judge: each gets an answer by name, none is taken for ours.

Their key K is printed in the draft. So it is trusted here as a development key of a product file that allows example keys, which is the
only way in; the first test shows that there is no other.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from workshop import first, product, verdict, workshop

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.p256 import PublicKey
from imgseal.keys.published import origin_of
from imgseal.keys.trusted_keys import PACKAGES, Trust, TrustedKey

VECTORS = json.loads((Path(__file__).parents[1] / "vectors" / "suit-envelopes.json").read_text())
ENVELOPES: list[dict[str, Any]] = VECTORS["envelopes"]
NAMES = [f"{e['name']}, {e['variant']}" for e in ENVELOPES]


def edit(text: str) -> str:
    text = text.replace("quillmoor.example", "arm.com").replace('class = "vent-drive-2"', 'class = "suit"')
    return text.replace('["ESP256"]', '["ESP256", "ES256"]').replace("[rules]", '[rules]\nexample_keys = "development"')


def anchors(*, development: bool) -> Trust:
    keys = []
    for name in ("K", "K2"):
        entry = VECTORS["keys"][name]
        public = PublicKey(bytes.fromhex(entry["x"]), bytes.fromhex(entry["y"]))
        keys.append(TrustedKey(public, public.key_id, name, PACKAGES, development, (), (), origin_of(public)))
    return Trust(tuple(keys), 1, 1)


SHOP = workshop()._replace(product=product(edit))


@pytest.mark.parametrize("entry", ENVELOPES, ids=NAMES)
def test_printed_keys_are_refused(entry: dict[str, Any]) -> None:
    """RFC 9124 section 4.2.16: even where the product file trusts them by mistake."""
    if any(block["cose"].startswith("COSE_Sign1") for block in entry["authentication"]):
        for development in (False, True):
            shop = SHOP._replace(trust=anchors(development=False))
            assert first(bytes.fromhex(entry["envelope"]), shop, development=development) == "trust.example-key"
        assert first(bytes.fromhex(entry["envelope"])) in ("trust.example-key", "trust.algorithm-not-allowed")


@pytest.mark.parametrize("entry", ENVELOPES, ids=NAMES)
def test_each_gets_an_answer(entry: dict[str, Any]) -> None:
    data = bytes.fromhex(entry["envelope"])
    found = verdict(data, SHOP._replace(trust=anchors(development=True)), development=True)
    outcomes = {check.name: check.outcome for check in found.checks}
    kinds = [block["cose"] for block in entry["authentication"]]
    assert (outcomes["envelope"], outcomes["digest"]) == ("passed", "passed")
    if not kinds:
        assert found.findings[0].code == "trust.no-signature"
    elif kinds[0].startswith("COSE_Mac0"):
        assert found.findings[0].code == "structure.envelope"
    else:
        assert (outcomes["signature"], outcomes["manifest"], outcomes["severed"]) == ("passed", "passed", "passed")
        # a dependency inside an envelope is a member that no command of this envelope fetches; all others name
        # components that the product does not have
        wanted = "structure.unsigned-member" if decode_envelope(data).payloads else "identity.unknown-component"
        assert found.findings[0].code == wanted
    assert not found.accepted
