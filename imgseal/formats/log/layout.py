"""How devices of a class and variant are laid out, as the release log remembers it: what no update can change."""

from imgseal.records import NamedTuple
from imgseal.values import VERSION, Kind, Node, array, ascii_text, integer, optional, pair, record
from imgseal.versions import Version

_U32 = integer(0, (1 << 32) - 1)
_NAME, _MAYBE = ascii_text(256), ascii_text(256, least=0)
_REVISION = integer(0, 0xFFFF)


def _read_range(node: Node) -> tuple[int, int]:
    least, most = pair(_REVISION, _REVISION).read(node)
    if least > most:
        node.refuse("the least and the highest revision")
    return least, most


HARDWARE = optional(Kind(_read_range, list), spare=True)
"""A range of hardware revisions, which is not there where nothing says it."""


class LaidComponent(NamedTuple):
    """A component: `run` are pairs of run slot and link address; `header`, `staging` and `keep` name slots."""

    number: int
    name: str
    kind: str
    core: str
    header_block: int
    run: tuple[tuple[str, int], ...]
    header: tuple[str, ...]
    staging: str
    keep: str


class LaidSlot(NamedTuple):
    """A slot: its memory and that one's first address, its own first address, size, and purpose ("" for none)."""

    name: str
    memory: str
    base: int
    address: int
    size: int
    holds: str


class Layout(NamedTuple):
    """Class in words, `layout.revision` and `.bootloader` of the product file, components by number, slots by name.

    `hardware` are the least and the highest hardware revision that the release is for; None where it does not say.
    """

    class_name: str
    revision: int
    records: int
    components: tuple[LaidComponent, ...]
    slots: tuple[LaidSlot, ...]
    bootloader: Version | None = None
    hardware: tuple[int, int] | None = None


_LAYOUT = record(
    Layout,
    {
        "class": _MAYBE,
        "revision": _U32,
        "records": integer(1, 255),
        "components": array(
            record(
                LaidComponent,
                {
                    "number": integer(1, 255),
                    "name": _NAME,
                    "kind": _NAME,
                    "core": _MAYBE,
                    "header_block": _U32,
                    "run": array(pair(_NAME, integer(0, (1 << 64) - 1)), 0, 2, "pairs of run slot and link address"),
                    "header": array(_NAME, 0, 2, "header slots"),
                    "staging": _MAYBE,
                    "keep": _MAYBE,
                },
            ),
            1, 255, "components that rise by number",
            lambda parts: [each.number for each in parts] == sorted({each.number for each in parts}),
        ),
        "slots": array(
            record(
                LaidSlot,
                {
                    "name": _NAME,
                    "memory": _NAME,
                    "base": integer(0, (1 << 64) - 1),
                    "address": integer(0, (1 << 64) - 1),
                    "size": integer(1, (1 << 64) - 1),
                    "holds": _MAYBE,
                },
            ),
            1, 512, "slots that rise by name",
            lambda slots: [each.name for each in slots] == sorted({each.name for each in slots}),
        ),
        "bootloader": optional(VERSION, spare=True),
        "hardware": HARDWARE,
    },
    {"class": "class_name"},
)  # fmt: skip


def _read(node: Node) -> Layout:
    layout = _LAYOUT.read(node)
    slots = {slot.name for slot in layout.slots}
    for part in layout.components:
        named = {*(name for name, _ in part.run), *part.header, part.staging, part.keep}
        if named - slots - {""}:
            node.refuse("slots for all that components name", found=", ".join(sorted(named - slots - {""})))
    return layout


LAYOUT = Kind(_read, _LAYOUT.write)
