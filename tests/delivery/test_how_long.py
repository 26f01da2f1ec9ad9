"""What an installation is estimated to take counts the images that the device makes itself."""

from pathlib import Path

import pytest
from kinds import of_kind

from imgseal.formats.suit.delivery import decode_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.rehearse.estimate import BY_SHARE, MADE, Estimate
from imgseal.rehearse.life import Stage
from imgseal.rehearse.play import rehearse, undisturbed
from imgseal.rehearse.text import rehearsal_document, rehearsal_lines
from imgseal.window import Bytes

DETACHED, TWO = "detached, two run slots", "two cores"


def fast(stage: Stage, rate: int | None) -> Stage:
    """A device that says how fast it hashes, erases and programs."""
    of = stage.facts.product
    assert of.bootloader is not None
    memories = {
        n: m._replace(erase_ms=(1.0, 2.0), program_us=(1.0, 2.0)) if m.erase_block else m
        for n, m in of.memories.items()
    }
    product = of._replace(bootloader=of.bootloader._replace(hash_rate=rate, verify_ms=1.0), memories=memories)
    return stage._replace(facts=stage.facts._replace(product=product))


def took(stage: Stage, data: Bytes) -> Estimate:
    estimate = undisturbed(stage, data).estimate
    assert estimate is not None
    return estimate


@pytest.mark.parametrize("kind", ["patch", "compressed"])
@pytest.mark.parametrize("name", [TWO, DETACHED])
def test_making_an_image_is_counted(name: str, kind: str) -> None:
    delivered = of_kind(name, kind)
    stage = fast(delivered.stage, 1000)
    steps = [s for s in decode_delivery(decode_envelope(delivered.delivered.data).manifest).steps if s.form != "plain"]
    new = stage.oracle.promise.new
    assert new is not None
    wanted = 0.0
    for step in steps:
        image = new.images[step.part.number]
        made = len(image.payload) + (len(image.header) if name == TWO else 0)
        assert step.size < made
        wanted += (step.size + (step.base.size if step.base else 0) + MADE * made + BY_SHARE * step.size) / 1000
    with_it, without = took(stage, delivered.package), took(stage._replace(steps=()), delivered.package)
    assert (with_it.making.images, without.making.images) == (len(steps), 0)
    assert with_it.making.seconds == pytest.approx(wanted)
    assert with_it.seconds is not None
    assert without.seconds is not None
    assert [a - b for a, b in zip(with_it.seconds, without.seconds, strict=True)] == [pytest.approx(wanted)] * 2
    assert with_it.down_seconds == without.down_seconds


def test_a_plain_image_is_only_written() -> None:
    delivered = of_kind(TWO, "plain")
    assert took(fast(delivered.stage, 1000), delivered.package).making == (0, 0.0)


def test_what_is_not_stated_is_not_counted_and_said() -> None:
    delivered = of_kind(TWO, "patch")
    for rate, said in ((None, "bootloader.hash_rate"), (1000, "s of it at most")):
        stage = fast(delivered.stage, rate)
        played = rehearse(stage, delivered.package, pairs=0, seed="1")
        (line,) = (line for line in rehearsal_lines(played, "x", "y") if line.startswith("  making"))
        assert "2 images are made on the device" in line
        assert said in line
        estimate = rehearsal_document(played, "x", "y")["estimate"]
        assert isinstance(estimate, dict)
        assert (estimate["making"]["seconds"] is None) == (rate is None)


def test_a_limit_that_only_making_exceeds() -> None:
    delivered = of_kind(TWO, "compressed")
    stage = fast(delivered.stage, 1000)
    without = took(stage._replace(steps=()), delivered.package).seconds
    assert without is not None
    product = stage.facts.product
    limits = product.limits._replace(update_time=without[1] + 0.5)
    held = stage._replace(facts=stage.facts._replace(product=product._replace(limits=limits)))
    assert any(w.startswith("limits.update_time") for w in took(held, delivered.package).warnings)
    assert not any(
        w.startswith("limits.update_time") for w in took(held._replace(steps=()), delivered.package).warnings
    )


def test_page_and_bench_have_the_same_bar() -> None:
    root = Path(__file__).parents[2]
    page = " ".join((root / "docs" / "format" / "delivery.md").read_text().split())
    assert f"{MADE:g} times as long as hashing it, and {BY_SHARE:g} times more by the share" in page
    assert f"INSTRUCTIONS, MORE = {MADE:g}, {BY_SHARE:g}\n" in (root / "tests" / "bench" / "bench_delta.py").read_text()
