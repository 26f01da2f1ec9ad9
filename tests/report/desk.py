"""Reports on the workshop's package, with everything that a report can have."""

import functools
from collections.abc import Callable

from workshop import Workshop, make, product, workshop

from imgseal.check.context import Context
from imgseal.compare.difference import compare
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.contents import read_contents
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.report.document import report_document
from imgseal.report.inputs import Material
from imgseal.report.page import render
from imgseal.report.report_inputs import gather
from imgseal.window import Bytes, ByteView

DAY = "2026-11-25"


def material_of(
    data: bytes,
    shop: Workshop | None = None,
    state: DeviceState | None = None,
    held: dict[str, Bytes] | None = None,
    *,
    development: bool = False,
) -> Material:
    shop = shop or workshop()
    given = state or fresh(shop.product)
    context = Context(shop.product, shop.trust, given, held or {}, development=development, day=DAY)
    return gather(ByteView(data), "p.suit", context, tool="0")


@functools.cache
def whole() -> Material:
    """Accepted, compared with an older release, rehearsed on a device without firmware."""
    shop = workshop()
    older = make(
        product(lambda text: text.replace("sequence = 17", "sequence = 16").replace("counter = 6", "counter = 5"))
    )
    material = material_of(shop.package)
    assert material.contents is not None
    before = read_contents(older.package, "old.suit", shop.product)
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    data = ByteView(shop.package)
    stage = set_up(Context(shop.product, shop.trust, state, {}), data)
    assert stage.verdict.accepted
    return material._replace(
        comparison=compare(before, material.contents, shop.product),
        rehearsal=rehearse(stage, data, pairs=10, seed="1"),
        rehearsed_on="a device without firmware",
    )


def page_of(material: Material) -> str:
    return render(report_document(material))


def edited(edit: Callable[[str], str]) -> Workshop:
    """The workshop's release with another product file."""
    return make(product(edit))
