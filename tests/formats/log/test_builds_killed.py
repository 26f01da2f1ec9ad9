"""What changes the log at once never shares a number, whichever is killed when; builds_killed.py tries 200 rounds."""

import pytest
from builds_killed import run


@pytest.mark.seconds(600)
@pytest.mark.parametrize("seed", [1, 2])
def test_no_two_releases_share_a_number(seed: int) -> None:
    outcome = run(4, seed)
    assert outcome.rounds == 4
    assert outcome.entries >= 4
