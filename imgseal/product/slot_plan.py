"""The slot plan: what does not fit together in a product file is found before any build."""

import itertools

from imgseal.formats.install_record.room import MEMBERS_MAX, PLACES, place_bytes
from imgseal.limits import HEADER_BLOCK_MAX, HEADER_BLOCK_STEP
from imgseal.product.cores import vector_alignment
from imgseal.product.model import Component, Memory, Product, Slot
from imgseal.product.table import Document


def check(product: Product, document: Document) -> None:
    """Hold memories, slots and components against each other; UsageError names both sides of a contradiction."""
    _memories(product, document)
    _slots(product, document)
    _uses(product, document)
    _at_boot(product, document)
    _layout(product, document)
    for component in product.components.values():
        _component(product, component, document)


def _memories(product: Product, document: Document) -> None:
    ordered = sorted(product.memories.values(), key=lambda m: m.base)
    _apart(document, "memory", "base", [(memory.name, memory.base, memory.size) for memory in ordered], 8)


def _apart(document: Document, table: str, key: str, ranges: list[tuple[str, int, int]], digits: int = 1) -> None:
    """Refuse ranges of name, start and size, in ascending order, that overlap."""
    for (before, start, size), (after, following, _) in itertools.pairwise(ranges):
        if start + size > following:
            document.refuse(
                (table, after, key),
                f"{table}.{after} overlaps {table}.{before}",
                f"at least 0x{start + size:0{digits}x}",
                f"0x{following:0{digits}x}",
            )


def _slots(product: Product, document: Document) -> None:
    for slot in product.slots.values():
        memory = product.memories[slot.memory]
        if memory.kind == "ram":
            document.refuse(("slot", slot.name, "memory"), "a slot cannot lie in RAM", "a flash memory", memory.name)
        if slot.at + slot.size > memory.size:
            document.refuse(
                ("slot", slot.name, "size"),
                f"slot.{slot.name} crosses the end of memory.{memory.name}",
                f"an end of at most 0x{memory.size:x}",
                f"0x{slot.at + slot.size:x}",
                f"at counts from the first byte of the memory: at = 0x{slot.at - memory.base:x}"
                if memory.base and memory.base <= slot.at < memory.base + memory.size
                else None,
            )
        for key, value in (("at", slot.at), ("size", slot.size)):
            if value % memory.erase_block:
                document.refuse(
                    ("slot", slot.name, key),
                    "a slot starts and ends on erase blocks",
                    f"a multiple of {memory.erase_block} (memory.{memory.name}.erase_block)",
                    f"0x{value:x}",
                )
        if slot.holds == "records":
            _records(product, slot, memory, document)
        if slot.holds == "package" and slot.size < 2 * memory.erase_block:
            document.refuse(
                ("slot", slot.name, "size"),
                "a package needs an erase block, and one for the log behind it",
                f"at least {2 * memory.erase_block} (twice memory.{memory.name}.erase_block)",
                f"0x{slot.size:x}",
            )
        _boot_mark(slot, memory, document)
    ordered = sorted(product.slots.values(), key=lambda s: (s.memory, s.at))
    for _, slots in itertools.groupby(ordered, key=lambda s: s.memory):
        _apart(document, "slot", "at", [(slot.name, slot.at, slot.size) for slot in slots])


def _records(product: Product, slot: Slot, memory: Memory, document: Document) -> None:
    least = PLACES * place_bytes(len(product.components), memory.erase_block, memory.write_unit)
    if slot.size < least or not memory.trusted:
        document.refuse(
            ("slot", slot.name, "size" if memory.trusted else "memory"),
            "records need three places of whole erase blocks in trusted flash: docs/format/install-record.md says why",
            f"at least {least} bytes of trusted flash",
            f"{slot.size} bytes in {memory.name}",
        )


def _boot_mark(slot: Slot, memory: Memory, document: Document) -> None:
    """Hold the slot of the mark against what makes it the bootloader's alone."""
    if slot.holds != "boot-mark":
        if slot.write_protected is not None:
            document.refuse(
                ("slot", slot.name, "write_protected"),
                "only the boot mark is said to be write-protected",
                'this key beside holds = "boot-mark"',
                slot.holds or "a slot for components",
            )
        return
    if not memory.trusted:
        document.refuse(
            ("slot", slot.name, "memory"),
            "the boot mark would lie where others can write it",
            "a memory that is trusted",
            memory.name,
            "whoever writes the mark decides what starts without its signatures being verified",
        )
    if slot.write_protected is None:
        document.refuse(
            ("slot", slot.name, "write_protected"),
            "nothing says that the bootloader alone can write the boot mark",
            'write_protected = "until-reset", where that is so',
            "nothing",
            "say it if the microcontroller can lock these blocks before hand-over, and unlocks them at a reset only",
        )


def _at_boot(product: Product, document: Document) -> None:
    """A boot that goes by digests needs the records that name them, and a mark that only the bootloader can write."""
    if product.rules.at_boot != "digest":
        return
    for what, extra in (("boot-mark", ' and write_protected = "until-reset"'), ("records", "")):
        if product.slot_holding(what) is None:
            document.refuse(
                ("rules", "at_boot"),
                f'no slot holds "{what}", and without it every boot has to verify signatures',
                f'a slot in trusted flash with holds = "{what}"{extra}, or at_boot = "signature"',
                '"digest"',
                "docs/format/boot-mark.md says what the slots are for",
            )


def _layout(product: Product, document: Document) -> None:
    """A layout that is not the first one came with a bootloader, which devices leave the factory with."""
    revision, first = product.layout
    made = None if product.bootloader is None else product.bootloader.version
    if (first is None) != (revision == 0):
        document.refuse(
            ("layout", "bootloader"),
            "nothing says which bootloaders have this layout" if revision else "the first layout needs no bootloader",
            "the version of the first bootloader that has it" if revision else "this key with a revision above 0",
            str(first or "nothing"),
            "say it in [layout], or take revision out: older bootloaders look elsewhere, and have to refuse this layout"
            if revision
            else "take it out, or raise revision: every bootloader has the first layout",
        )
    if first is not None and (made is None or made < first):
        document.refuse(
            ("layout", "bootloader"),
            "new devices would leave the factory without this layout",
            f"at most {made} (bootloader.version)" if made else "a [bootloader] with its version",
            str(first),
            f'raise [bootloader] version to "{first}", with the bootloader that brings it',
        )


def _uses(product: Product, document: Document) -> None:
    """Each slot has one purpose, each number one component."""
    used = {s.name: f"slot.{s.name}.holds" for s in product.slots.values() if s.holds is not None}
    purposes: dict[str, str] = {}
    for slot in product.slots.values():
        if slot.holds and (first := purposes.setdefault(slot.holds, slot.name)) != slot.name:
            document.refuse(("slot", slot.name, "holds"), "two slots for one purpose", "one", f"slot.{first}")
    if len(product.components) > MEMBERS_MAX:
        count = str(len(product.components))
        document.refuse(("component",), "too many components for a record", f"at most {MEMBERS_MAX}", count)
    numbers: dict[int, str] = {}
    for component in product.components.values():
        other = numbers.setdefault(component.number, component.name)
        if other != component.name:
            document.refuse(
                ("component", component.name, "number"),
                "two components have one number",
                "another number",
                f"{component.number}, as component.{other}",
            )
        if component.recovery and used.get(component.run[0]) == f"slot.{component.run[0]}.holds":
            del used[component.run[0]]  # the slot's purpose is this component
        for key in ("run", "header", "staging", "keep"):
            names = getattr(component, key) or ()
            for name in (names,) if isinstance(names, str) else names:
                if name in used:
                    document.refuse(
                        ("component", component.name, key),
                        "one slot for two purposes",
                        "a slot of its own",
                        f"{name}, already in {used[name]}",
                    )
                used[name] = f"component.{component.name}.{key}"
    _delivery(product, used, document)


def _delivery(product: Product, used: dict[str, str], document: Document) -> None:
    """What waits lies where no step of an installation writes, nor anything else."""
    name = product.delivery_slot
    if name is None:
        return
    if name not in product.slots:
        document.refuse(("delivery", "slot"), "there is no such slot", ", ".join(product.slots), name)
    if name in used:
        document.refuse(
            ("delivery", "slot"),
            "a delivery would wait where something else lies, or is written while it is installed",
            "a slot of its own",
            f"{name}, already in {used[name]}",
            'a slot that holds = "package" is where deliveries wait without this key',
        )
    if (other := product.slot_holding("package")) is not None:
        document.refuse(
            ("delivery", "slot"),
            "two places where a delivery could wait",
            f"one: without this key it is slot.{other.name}, as for packages",
            name,
        )


def _component(product: Product, component: Component, document: Document) -> None:
    path = ("component", component.name)
    code, block = component.kind == "code", component.header_block
    run = [product.slots[name] for name in component.run]
    smallest = min(run, key=lambda slot: slot.size)
    least = smallest.size + (block if component.header else 0)
    for need in component.needs:
        if need.component and product.components[need.name].recovery:
            document.refuse(
                (*path, "needs", need.name),
                "a requirement on the recovery image, which belongs to no set",
                "a component of the set, or bootloader",
                need.name,
            )
    for key, name in (("staging", component.staging), ("keep", component.keep)):
        if name is not None and product.slots[name].size < least:
            document.refuse(
                (*path, key),
                f"{name} is smaller than what it stands in for",
                f"at least {least} bytes ({smallest.name}" + (" and a header block)" if component.header else ")"),
                str(product.slots[name].size),
            )
    joined = (*(() if component.header else component.run), component.staging, component.keep)
    unit = max((product.memories[product.slots[name].memory].write_unit for name in joined if name), default=1)
    if block % unit:
        expected = f"a multiple of {unit}, the largest write unit of its slots"
        message = "the payload would begin in the middle of a write unit"
        document.refuse((*path, "header_block"), message, expected, str(block))
    if component.recovery:
        _recovery(component, document)
    for slot in (product.slots[name] for name in component.header):
        if slot.size < block:
            message = f"the header block does not fit {slot.name}"
            document.refuse((*path, "header"), message, f"at least {block} bytes", str(slot.size))
    _way_back(component, document)
    for slot in run:
        if not component.header and slot.size <= block:
            message = f"the header block fills {slot.name}"
            document.refuse((*path, "header_block"), message, f"below {slot.size}", str(block))
        if code:
            _code_slot(product, component, slot, document)


def _way_back(component: Component, document: Document) -> None:
    path = ("component", component.name, "way_back")
    if component.kind == "code" and not component.returns and component.way_back != "none":
        document.refuse(
            path,
            "one run slot and no keep slot leave no way back, and that has to be said",
            'way_back = "none", a keep slot, or a second run slot',
            "nothing",
            "without a way back no trial is offered: an update completes, or needs recovery",
        )
    if component.way_back == "none" and component.returns:
        document.refuse(path, "there is a way back", "no way_back here", '"none"')


def _recovery(component: Component, document: Document) -> None:
    path = ("component", component.name)
    for key, value, wrong in (
        ("kind", component.kind, component.kind != "code"),
        ("staging", component.staging, component.staging is not None),
        ("keep", component.keep, component.keep is not None),
        ("run", ", ".join(component.run), len(component.run) > 1),
        ("header", ", ".join(component.header), bool(component.header)),
        ("needs", ", ".join(need.name for need in component.needs), bool(component.needs)),
    ):
        if wrong:
            document.refuse(
                (*path, key),
                "a recovery image is code with one run slot that starts alone: nothing beside it, nothing needed",
                'run = ["' + component.run[0] + '"] and way_back = "none" only',
                str(value),
            )


def _code_slot(product: Product, component: Component, slot: Slot, document: Document) -> None:
    path = ("component", component.name)
    memory = product.memories[slot.memory]
    if not memory.trusted and product.rules.external_code != "accept":
        document.refuse(
            (*path, "run"),
            f"code would run from {memory.name}, which is not trusted",
            "a run slot in trusted flash",
            slot.name,
            'rules.external_code = "accept" takes the risk that it changes between check and use',
        )
    if not any(m.kind == "ram" for m in product.memories.values()):
        document.refuse(("memory",), "code needs RAM for its stack", 'a memory with kind = "ram"', "none")
    if component.core == "cortex-m0":
        if not component.header:
            document.refuse(
                (*path, "header"),
                "a cortex-m0 has no vector table register: its image cannot move behind a header",
                "header slots, for a detached header",
                "nothing",
                "if the firmware copies its vectors to RAM, name the core cortex-m0plus",
            )
        return
    start = product.slot_base(slot.name) + component.payload_offset
    alignment = vector_alignment(component.core, component.vectors)
    if start % alignment:
        fits = component.header_block + -start % alignment
        document.refuse(
            (*path, "header_block" if not component.header else "run"),
            f"{component.core} cannot take a vector table at 0x{start:08x} in {slot.name}",
            f"a multiple of {alignment} for {component.vectors} vectors",
            f"0x{start:08x}",
            f"say header_block = {fits}, and link the firmware for it: imgseal show --linker"
            if not component.header and fits % HEADER_BLOCK_STEP == 0 and fits <= HEADER_BLOCK_MAX
            else None,
        )
