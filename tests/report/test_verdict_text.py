"""The text of a verdict says what the verdict holds: docs/cli.md. Counts are counted again here."""

import itertools
import re

import pytest
from workshop import verdict, workshop

from imgseal.findings import FAILED, NOT_RUN, PASSED, Verdict
from imgseal.workspace.verdict_text import verdict_lines


def spoiled() -> Verdict:
    raw = bytearray(workshop().package)
    raw[-1] ^= 1
    return verdict(bytes(raw))


def broken() -> Verdict:
    return verdict(workshop().package[:300])


VERDICTS = {
    "good": lambda: verdict(workshop().package),
    "image": lambda: verdict(workshop().images["motor-a"]),
    "spoiled": spoiled,
    "broken": broken,
}


@pytest.mark.parametrize("name", VERDICTS)
def test_counts(name: str) -> None:
    """What is not mandatory and did not run is not counted; every group that has something is there, once."""
    said = VERDICTS[name]()
    text = " ".join(line.strip() for line in verdict_lines(said, "imgseal.toml"))
    shown = text[text.index("checks    ") :]
    found = {
        (group, outcome): int(count)
        for group, counts in re.findall(r"([a-z]+) ((?:\d+ (?:passed|failed|not run)(?:, )?)+)", shown)
        for count, outcome in re.findall(r"(\d+) (passed|failed|not run)", counts)
    }
    wanted: dict[tuple[str, str], int] = {}
    for check in said.checks:
        if check.outcome in {PASSED, FAILED} or (check.outcome == NOT_RUN and check.mandatory):
            wanted[check.group, check.outcome] = wanted.get((check.group, check.outcome), 0) + 1
    assert found == wanted


@pytest.mark.parametrize("name", VERDICTS)
def test_lines_fit_a_terminal_and_begin_where_they_should(name: str) -> None:
    lines = list(verdict_lines(VERDICTS[name](), "imgseal.toml"))
    at = next(number for number, line in enumerate(lines) if line.startswith("  checks    "))
    block = [lines[at], *itertools.takewhile(lambda line: line.startswith(" " * 12), lines[at + 1 :])]
    assert all(len(line) <= 100 and line == line.rstrip() for line in block)
    words = " ".join(line.strip() for line in block).removeprefix("checks    ").split("; ")
    assert all(re.fullmatch(r"[a-z]+ \d+ (passed|failed|not run)(, \d+ (failed|not run))*", word) for word in words), (
        words
    )


def test_every_check_is_shown_on_demand() -> None:
    said = verdict(workshop().package)
    lines = list(verdict_lines(said, "imgseal.toml", every_check=True))
    rows = [line for line in lines if re.match(r"    [a-z]+ +[a-z-]+ +(passed|failed|not run)", line)]
    assert len(rows) == len(said.checks)
    for check in said.checks:
        assert f"    {check.group:<10}{check.name:<16}{check.outcome}" in "\n".join(rows)
