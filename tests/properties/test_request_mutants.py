"""A short seeded run of request_mutants.py; every check of a request and of a response is reached."""

import pytest
import request_mutants
from request_mutants import run


def test_no_mutant_is_taken_for_what_it_is_not() -> None:
    counts = run(3000, 7)
    for words in (
        "request: accepted", "request: this is no signing request", "request: the request is not as imgseal writes it",
        "request: a key is asked for that the statement does not name", "request: not a value allowed here", "request: unknown key",
        "request: the firmware in the request is not what the statement speaks", "request: a severed member is not the one",
        "request: this key is missing", "response: accepted", "response: this is the response to another request",
        "response: a signature that the request does not ask for", "response: the signer returned a signature that does not verify",
        "response: a signature is still missing", "response: not a value allowed here", "response: the response is not as imgseal",
    ):  # fmt: skip
        assert sum(number for name, number in counts.items() if name.startswith(words[:60])) > 0, words


def test_the_oracle_can_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the last comparison of the reader taken out, the mutants find it."""
    monkeypatch.setattr("imgseal.offline.request.encode_request", lambda _request: Anything())
    with pytest.raises(request_mutants.WronglyAcceptedError):
        run(3000, 7)


class Anything:
    def __ne__(self, other: object) -> bool:
        return False

    __hash__ = None  # type: ignore[assignment]

    def __eq__(self, other: object) -> bool:
        return True
