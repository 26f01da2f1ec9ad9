"""Which questions are asked: every subset of every product with every pair of factors, or with all of them."""

import itertools
from collections.abc import Iterator
from typing import NamedTuple

from answers import CIRCUMSTANCES, FACTS, Question, answer, subsets

__all__ = ["Row", "all_rows", "pairs", "pairwise"]

FACTORS = ("update", "several", "second", "bill", "hazard")


class Row(NamedTuple):
    """A package that is asked about with nothing wrong, and again under the question's circumstance."""

    asked: Question
    bill: bool


def _row(product: str, parts: frozenset[int], values: tuple[bool, ...], circumstance: str) -> Row:
    said = dict(zip(FACTORS, values, strict=True))
    bill = said.pop("bill")
    return Row(Question(product, parts, circumstance=circumstance, free=int(said["update"]), **said), bill)


def _cases() -> list[tuple[str, frozenset[int]]]:
    return [(product, parts) for product in FACTS for parts in subsets(product)]


def pairs(row: Row) -> set[tuple[object, ...]]:
    """What a row brings together; of subset and circumstance the product and circumstance, and of that its answer."""
    asked = row.asked
    said = [(name, row.bill if name == "bill" else getattr(asked, name)) for name in FACTORS]
    return {
        *((asked.product, asked.parts, one) for one in said),
        *itertools.combinations(said, 2),
        (asked.product, asked.circumstance),
        *((asked.circumstance, one) for one in said),
        (asked.circumstance, answer(asked)),
    }


def pairwise() -> list[Row]:
    """Every subset with every value of every factor, and all other `pairs`.

    Two rows that differ in every factor hold each value once; which two it is changes from subset to subset, so that all sixteen
    come up. Of the circumstances the one that brings most new pairs is taken.
    """
    patterns = list(itertools.product((False, True), repeat=len(FACTORS)))[: 1 << len(FACTORS) - 1]
    rows: list[Row] = []
    met: set[tuple[object, ...]] = set()

    def add(product: str, parts: frozenset[int], values: tuple[bool, ...]) -> None:
        turn = len(rows) % len(CIRCUMSTANCES)
        choice = [_row(product, parts, values, c) for c in (*CIRCUMSTANCES[turn:], *CIRCUMSTANCES[:turn])]
        rows.append(max(choice, key=lambda row: len(pairs(row) - met)))
        met.update(pairs(rows[-1]))

    for number, (product, parts) in enumerate(_cases()):
        pattern = patterns[number % len(patterns)]
        add(product, parts, pattern)
        add(product, parts, tuple(not value for value in pattern))
    for product in FACTS:  # products with fewer subsets than circumstances
        for parts in itertools.cycle(subsets(product)):
            if all((product, circumstance) in met for circumstance in CIRCUMSTANCES):
                break
            add(product, parts, patterns[len(rows) * 7 % len(patterns)])
    return rows


def all_rows() -> Iterator[Row]:
    """Every subset with all factors; each subset meets every circumstance once at least."""
    for number, (product, parts) in enumerate(_cases()):
        for turn, values in enumerate(itertools.product((False, True), repeat=len(FACTORS))):
            yield _row(product, parts, values, CIRCUMSTANCES[(turn + number * 5) % len(CIRCUMSTANCES)])
