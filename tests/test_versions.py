"""Versions order as SemVer 2.0.0 clause 11 says, and pack into words of the same order."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.versions import ALPHA, BETA, CANDIDATE, STAGE_NUMBER_LIMIT, Version

WORD = st.integers(0, 2**32 - 1)
VERSIONS = st.one_of(
    st.tuples(WORD, WORD, WORD).map(lambda numbers: Version(*numbers)),
    st.builds(
        Version, WORD, WORD, WORD, st.sampled_from([ALPHA, BETA, CANDIDATE]), st.integers(0, STAGE_NUMBER_LIMIT - 1)
    ),
)


def test_semver_clause_11_order() -> None:
    """The clause's own chain, as far as the stages here can say it."""
    chain = [
        "1.0.0-alpha.1",
        "1.0.0-beta.2",
        "1.0.0-beta.11",
        "1.0.0-rc.1",
        "1.0.0",
        "1.9.0",
        "1.10.0",
        "1.11.0",
        "2.0.0",
    ]
    versions = [Version.parse(text) for text in chain]
    assert versions == sorted(versions)
    assert len(set(versions)) == len(versions)
    assert [str(version) for version in versions] == chain


@given(VERSIONS, VERSIONS)
def test_words_and_text_keep_order_and_value(a: Version, b: Version) -> None:
    assert (a < b) == (a.words() < b.words())
    assert Version.from_words(a.words()) == a
    assert Version.parse(str(a)) == a
    assert Version.from_suit(a.suit()) == a


def test_suit_form() -> None:
    """Stage numbers of the update-management draft: alpha -3, beta -2, candidate -1 (-14)."""
    assert Version.parse("2.4.1").suit() == [2, 4, 1]
    assert Version.parse("2.4.1-rc.3").suit() == [2, 4, 1, -1, 3]
    assert Version.parse("2.4.1-alpha.0").suit() == [2, 4, 1, -3, 0]


@pytest.mark.parametrize(
    "text",
    ["", "1", "1.2", "1.2.3.4", "01.2.3", "1.2.3-rc", "1.2.3-rc.01", "1.2.3-gamma.1", "1.2.3+build", " 1.2.3", "1.2.3\n",
     "4294967296.0.0", "1.2.", "1..3", "1.2.x", "1.2.3-", "1.2.3-rc.", "1.2.3-.1", "1.2.3-rc.16777215", "-1.2.3", "1.2.٣"],
)  # fmt: skip
def test_refused_texts(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not a version such as 2\.4\.1"):
        Version.parse(text)


@pytest.mark.parametrize(
    "numbers",
    [
        [],
        [1, 2],
        [1, 2, 3, 4],
        [1, 2, 3, -4, 1],
        [1, 2, 3, -1],
        [1, 2, 3, -1, -1],
        [-1, 2, 3],
        [1, 2, 2**32],
        [1, 2, 3, -1, 2**24 - 1],
    ],
)
def test_refused_suit_lists(numbers: list[int]) -> None:
    with pytest.raises(ValueError, match=r"three numbers|a stage that is not"):
        Version.from_suit(numbers)


@pytest.mark.parametrize(
    ("text", "word", "suit"),
    [
        ("1.2.3", 0xFFFF_FFFF, [1, 2, 3]),
        ("1.2.3-alpha.0", 0x0100_0000, [1, 2, 3, -3, 0]),
        ("1.2.3-beta.7", 0x0200_0007, [1, 2, 3, -2, 7]),
        ("1.2.3-rc.16777214", 0x03FF_FFFE, [1, 2, 3, -1, 16777214]),
    ],
)
def test_forms_of_a_version(text: str, word: int, suit: list[int]) -> None:
    """docs/format/sealed-image.md: the fourth word; draft-ietf-suit-update-management-14: the list."""
    version = Version.parse(text)
    assert version.words() == (1, 2, 3, word)
    assert version.suit() == suit
    assert Version.from_words((1, 2, 3, word)) == Version.from_suit(suit) == version
    assert str(version) == text


@pytest.mark.parametrize(
    "word", [0, 0x00FF_FFFF, 0x0400_0000, 0x01FF_FFFF, 0x03FF_FFFF, 0xFE00_0000, 0xFF00_0000, 0xFFFF_FFFE]
)
def test_refused_words(word: int) -> None:
    with pytest.raises(ValueError, match=r"."):
        Version.from_words((1, 2, 3, word))


def test_the_largest_numbers() -> None:
    largest = Version.parse("4294967295.4294967295.4294967295")
    assert largest == Version.from_suit([2**32 - 1] * 3) == Version(2**32 - 1, 2**32 - 1, 2**32 - 1)
