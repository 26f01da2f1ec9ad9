"""The compiled installer with deliveries, which lie in storage as a whole."""

from pathlib import Path
from typing import Any

from c_boot import CODE
from c_build import SOURCES
from c_install import BESIDE, InstallLibrary
from delivered import trust_with_deliveries

from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product
from imgseal.rehearse.oracle import ViolationError

CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


class DeliveryLibrary(InstallLibrary):
    """Offers whatever a device is offered as it is stored, packages as well."""

    beside: tuple[str, ...] = (*BESIDE, "seal_delta.c", "seal_delivery.c")

    def __init__(
        self, name: str, of: Product, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = CHECKED,
        trust: Trust | None = None,
    ) -> None:  # fmt: skip
        super().__init__(
            of,
            folder,
            sources,
            (*flags, "-DSEAL_PATCHES"),
            trust=trust or trust_with_deliveries(name),
        )
        self.in_storage = True

    def _read_stored(self, user: int, at: int, to: Any, length: int) -> int:
        if at + length > self.device.source.size:
            self.stopped = ViolationError("starts", f"{length} bytes at {at} of what is stored, which ends before")
            return CODE["device.unreadable"]
        return super()._read_stored(user, at, to, length)

    def install(self, device: Any) -> int:
        return self.call("shim_stored")
