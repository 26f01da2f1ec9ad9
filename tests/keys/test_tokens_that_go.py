"""A token that is taken out while the slots are looked through is passed over, and the others are there once: PKCS#11 2.40, 5.5."""

from types import SimpleNamespace
from typing import Any

import pytest
from pkcs11 import TokenFlag

from imgseal.keys.token import Desk


class Slot:
    def __init__(self, label: str, flags: TokenFlag | None) -> None:
        self.token = SimpleNamespace(label=label, flags=flags)

    def get_token(self) -> Any:
        if self.token.flags is None:
            raise RuntimeError("CKR_TOKEN_NOT_PRESENT")
        return self.token


def test_the_others_are_there_once(monkeypatch: pytest.MonkeyPatch) -> None:
    ready, raw = TokenFlag.TOKEN_INITIALIZED, TokenFlag(0)
    slots = [
        Slot("gone", None),
        Slot("a", ready),
        Slot("gone", None),
        Slot("new", raw),
        Slot("b", ready),
        Slot("gone", None),
    ]
    library = SimpleNamespace(get_slots=lambda token_present: slots if token_present else [])
    monkeypatch.setattr(Desk, "_load", lambda _desk, _module: library)
    desk = object.__new__(Desk)
    assert [token.label for token in desk._tokens("module.so")] == ["a", "b"]
