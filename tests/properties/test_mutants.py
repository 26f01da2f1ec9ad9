"""A short run of the mutants; the long one is `python tests/properties/mutants.py`, and its seed repeats it."""

import pytest

from mutants import WronglyAcceptedError, batch  # isort: skip


def test_two_thousand_mutants() -> None:
    counts = batch(0, 2000, seed=1)
    reached = {name for name in counts if not name.startswith("(")}
    assert {"header", "extent", "algorithm", "key", "signature", "vendor", "class", "hardware", "component", "layers",
            "development", "requirements", "counter", "header-block", "address", "size", "payload", "vectors",
            "package envelope", "package signature", "package manifest", "package severed", "package members",
            "package components", "package shared", "package authorisation", "package sequence",
            "package installation"} <= reached  # fmt: skip
    assert counts["(signed image: accepted)"] > 0
    assert counts["(signed package: accepted)"] > 0


@pytest.mark.parametrize("broken", ["imgseal.check.trusted_signers.verify", "imgseal.check.content.payload"])
def test_the_hunt_finds_a_judge_that_looks_away(monkeypatch: pytest.MonkeyPatch, broken: str) -> None:
    """The test tests itself: with verification or the digest check switched off, a mutant is accepted wrongly."""
    if broken.endswith("verify"):
        monkeypatch.setattr(broken, lambda *_arguments: None)
    else:
        from imgseal.check import order

        blinded = tuple(
            check._replace(look=lambda _s, _c: []) if check.name == "payload" else check for check in order.IMAGE_ORDER
        )
        monkeypatch.setattr("imgseal.check.judge.IMAGE_ORDER", blinded)
        monkeypatch.setattr("imgseal.check.package.IMAGE_ORDER", blinded)
    with pytest.raises(WronglyAcceptedError):
        batch(0, 2000, seed=1)
