"""What is known of a delivery at each stage; a stage's values are set by the check that earned them."""

from typing import TYPE_CHECKING

from imgseal.check.package_subject import PackageSubject

if TYPE_CHECKING:
    from imgseal.formats.suit.delivery import Delivery, Step
    from imgseal.keys.trusted_keys import TrustedKey

KIND = "delivery"


class DeliverySubject:
    """A delivery under judgement: its envelope, the release in it, and what the steps have made."""

    def __init__(self, opened: PackageSubject) -> None:
        self.opened = opened
        self.envelope = opened.envelope
        self.delivery: Delivery
        self.release: PackageSubject
        self.made: dict[str, bytes | memoryview] = {}
        self.taken: list[Step] = []
        self.signer: TrustedKey | None = None
