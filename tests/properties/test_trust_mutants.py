"""A short seeded run of trust_mutants.py; every check of an update is reached, and left out rules are found."""

import pytest
import trust_mutants
from trust_mutants import run

REACHED = (
    "accepted", "structure.unrecognised", "structure.trust-set", "trust.not-by-apex", "signature.does-not-verify", "identity.wrong-vendor", "identity.wrong-class",
    "rules.apex-change", "rules.revocation-undone", "rollback.trust-number",
)  # fmt: skip


def test_no_mutant_is_taken_wrongly() -> None:
    counts = run(4000, 3)
    assert [code for code in REACHED if not counts[code]] == []


@pytest.mark.parametrize("check", ["signer", "signature", "vendor", "class", "apex", "revocations", "number"])
def test_a_check_that_is_left_out_is_found(check: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from imgseal.check import trust_update as anchors

    left = tuple(
        entry._replace(look=lambda _subject, _context: []) if entry.name == check else entry for entry in anchors.ORDER
    )
    monkeypatch.setattr(anchors, "ORDER", left)
    with pytest.raises(trust_mutants.WronglyAcceptedError):
        run(4000, 3)
