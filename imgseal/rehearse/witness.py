"""What was verified, and by whom a mark was written: seen as it happens, without a judgement of its own."""

from collections.abc import Iterable
from copy import copy

from imgseal.formats.install_record.boot_mark import BOOT_MARK_BYTES
from imgseal.product.model import Product
from imgseal.rehearse.flash import Flash, Operation


class Witness:
    """Notes whose signatures were verified since the reset, and for what each mark was written.

    It does not know how a mark is made: the bytes that a bootloader wrote after it had verified certain statements
    stand for these, and for nothing else, whatever they are written for later.
    """

    def __init__(self, product: Product) -> None:
        slot = product.slot_holding("boot-mark")
        self._where = None if slot is None else (slot.memory, slot.at, slot.size)
        self._marks: dict[bytes, frozenset[bytes]] = {}
        self._verified: set[bytes] = set()
        self._begun = bytearray()
        self._booting = False

    def apart(self) -> "Witness":
        """Return one that remembers the same, and sees other lives from here on."""
        out = copy(self)
        vars(out)["_marks"] = dict(self._marks)
        return out

    def reset(self) -> None:
        """A boot begins: nothing has been verified."""
        self._verified = set()
        self._booting = True

    def handed_over(self) -> None:
        """Another program runs from here on; the mark's slot is write-protected."""
        self._booting = False

    def verified(self, statement: bytes) -> None:
        """Every signature over the statement with this digest that has to hold was verified."""
        self._verified.add(statement)

    def has_verified(self, statement: bytes) -> bool:
        """Say whether its signatures were verified since the reset."""
        return statement in self._verified

    def operation(self, operation: Operation) -> bool:
        """Note what is written into the mark's slot; False where something else than the bootloader writes it."""
        if self._where is None:
            return True
        memory, start, size = self._where
        if operation.memory != memory or not start <= operation.at < start + size:
            return True
        if operation.data is None:
            self._begun = bytearray(b"\xff" * BOOT_MARK_BYTES)
        else:
            at = operation.at - start
            self._begun[at : at + len(operation.data)] = operation.data
            mark = bytes(self._begun[:BOOT_MARK_BYTES])
            self._marks[mark] = self._marks.get(mark, frozenset(self._verified)) & self._verified
        return self._booting

    def covers(self, statements: Iterable[bytes], flash: Flash) -> bool:
        """Say whether all of these were verified since the reset, or when the mark was written that the slot holds."""
        marked: frozenset[bytes] = frozenset()
        if self._where is not None:
            memory, start, _ = self._where
            held = flash.peek(memory, start, BOOT_MARK_BYTES)
            marked = self._marks.get(held or b"", marked)
        return all(statement in self._verified or statement in marked for statement in statements)
