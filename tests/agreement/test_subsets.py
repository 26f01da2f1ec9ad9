"""Every subset of components: what is packed of it, Python and compiled C answer as the table does that knows neither.

In the default run each subset comes with every value of every factor and all pairs of factors, in `tests/run --all` with all of them.
"""

import itertools
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from answers import ACCEPTED, CIRCUMSTANCES, FACTS, Question, answer, subsets
from in_c import Programs, case
from long_runs import long
from machines import COMPILER, MACHINES
from packages import device, package, trust, variant_of
from rows import FACTORS, Row, all_rows, pairs, pairwise
from variants import Variant, product

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.window import ByteView

Asked = tuple[Question, str, bytes]
"""A question, what Python says, and the case for C."""


def ask(row: Row) -> Iterable[Asked]:
    """With nothing wrong and under its circumstance; a device as it leaves the factory may have either slot free."""
    variant = variant_of(row.asked)
    of = product(variant, update=False)
    for circumstance in dict.fromkeys((CIRCUMSTANCES[0], row.asked.circumstance)):
        asked = row.asked._replace(circumstance=circumstance)
        raw, digest = package(asked, bill=row.bill)
        here = device(asked, digest)
        verdict = judge(ByteView(raw), "package", Context(of, trust(variant), here.state, here.contents))
        told = ACCEPTED if verdict.accepted else verdict.findings[0].code if verdict.findings else "no finding"
        slots = (asked.free,) if asked.update else (0, 1)
        for free in slots:
            yield asked._replace(free=free), told, case(of, 2 if asked.several else 1, here, free, raw)


def hold(rows: Iterable[Row], programs: Programs) -> Counter[str]:
    """Ask everybody; return how often each code was expected of a package."""
    by_variant: dict[Variant, list[Asked]] = defaultdict(list)
    counts: Counter[str] = Counter()
    wrong = []
    for row in rows:
        for asked, told, for_c in ask(row):
            by_variant[variant_of(asked)].append((asked, told, for_c))
            if asked.update or asked.free == 0:  # of the slots of a fresh device, one is enough
                expected = answer(asked)
                counts[expected] += 1
                if told != expected:
                    wrong.append((asked, "Python", expected, told))
    for variant, questions in by_variant.items():
        found = programs.judge(variant, trust(variant), [for_c for _, _, for_c in questions])
        wrong += [
            (asked, "C", answer(asked), said)
            for (asked, _, _), said in zip(questions, found, strict=True)
            if said != answer(asked)
        ]
    assert not wrong, f"{len(wrong)} answers are others than expected, the first ones:\n" + "\n".join(
        map(str, wrong[:12])
    )
    return counts


def note(counts: Counter[str], record_property: Callable[[str, object], None]) -> None:
    """Let the summary of the test run say what was expected."""
    record_property("packages expected to be accepted", counts[ACCEPTED])
    record_property("packages expected to be refused", counts.total() - counts[ACCEPTED])


EVERY_CODE = {
    ACCEPTED, "digest.image", "identity.wrong-hardware", "placement.no-slot", "rollback.counter-too-low", "rollback.sequence-reused",
    "rollback.sequence-too-low", "rules.battery-too-low", "rules.failed-before", "rules.not-authorised", "rules.requirement-not-met",
    "rules.trial-open", "signature.manifest-digest", "signature.wrong-key", "structure.unsigned-member", "trust.key-revoked",
    "trust.too-few-signatures",
}  # fmt: skip


def test_the_rows_hold_every_pair() -> None:
    met = {pair for row in pairwise() for pair in pairs(row)}
    values = [(name, value) for name in FACTORS for value in (False, True)]
    for product_ in FACTS:
        assert {(product_, parts, value) for parts in subsets(product_) for value in values} <= met
        assert {(product_, circumstance) for circumstance in CIRCUMSTANCES} <= met
    assert {(circumstance, value) for circumstance in CIRCUMSTANCES for value in values} <= met
    assert {pair for pair in itertools.combinations(values, 2) if pair[0][0] != pair[1][0]} <= met


def test_pairs_of_factors(
    tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    tool("gcc")
    counts = hold(pairwise(), Programs(tmp_path))
    assert counts.keys() == EVERY_CODE
    note(counts, record_property)


def parts() -> list[tuple[str, bool | None]]:
    """Each product; the one with 255 subsets in two parts, with one algorithm and with two."""
    return [(name, second) for name in FACTS for second in ((False, True) if len(subsets(name)) > 20 else (None,))]


@long
@pytest.mark.parametrize("several", [False, True], ids=["one signer", "several"])
@pytest.mark.parametrize(("name", "second"), parts())
def test_all_factors(
    name: str, second: bool | None, several: bool, tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:  # fmt: skip
    tool("gcc")
    rows = (row for row in all_rows() if row.asked.product == name and row.asked.several == several)
    note(hold((row for row in rows if second in (None, row.asked.second)), Programs(tmp_path)), record_property)


def test_on_cortex_m(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A sample under QEMU: every answer that eight components can get, with and without hazard and second algorithm."""
    tool("qemu-system-arm")
    tool(COMPILER)
    rows = [row for row in pairwise() if row.asked.product == "eight components"]
    sample = {(row.asked.second, row.asked.hazard, answer(row.asked)): row for row in rows}
    counts = hold(sample.values(), Programs(tmp_path, MACHINES["cortex-m4"]))
    assert counts.keys() == EVERY_CODE
