"""What is known of a package at each stage; a stage's values are set by the check that earned them."""

from typing import TYPE_CHECKING

from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.envelope import Envelope, decode_envelope
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import Manifest
from imgseal.window import Bytes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgseal.check.machine.plan import ComponentPlan
    from imgseal.errors import InputError
    from imgseal.formats.cose.sign1 import Sign1
    from imgseal.formats.suit.commands import Sequence
    from imgseal.formats.suit.delivery import Step
    from imgseal.formats.suit.text import Text
    from imgseal.keys.trusted_keys import TrustedKey


class PackageSubject:
    """A package under judgement. The envelope is taken apart at once; the manifest only after its signature holds.

    `blocks` are those of algorithms that the rules list, with their numbers in the package; `idle` those that count
    for nothing; `held` the components that stay as they are, and the run slots that they stay in; `steps` those of the
    delivery that have made it what it is, on the device that it was judged for.
    """

    envelope: Envelope
    """Only for checks that need the envelope check: what does not read has none."""
    manifest: Manifest
    """Only for checks that need the manifest check, which sets it."""

    def __init__(self, data: Bytes) -> None:
        self.blocks: list[tuple[int, Sign1]] = []
        self.idle: list[tuple[int, Sign1]] = []
        self.signers: list[TrustedKey] = []
        self.development = False
        self.notes: list[str] = []
        self.texts: Text = {}
        self.sections: Mapping[int, Sequence] = {}
        self.plans: tuple[ComponentPlan, ...] = ()
        self.parts: tuple[OurComponent, ...] = ()
        self.held: Mapping[int, int] = {}
        self.steps: tuple[Step, ...] = ()
        self.results: list[Mapping[OurComponent, memoryview]] = []
        self.envelope_error: InputError | None = None
        try:
            self.envelope = decode_envelope(data.read(0, data.size))
        except SuitError as error:
            self.envelope_error = error

    @property
    def installed(self) -> tuple[tuple[OurComponent, memoryview], ...]:
        """What any of the simulated installations has left in a component; `results` tells them apart."""
        return tuple(entry for result in self.results for entry in result.items())
