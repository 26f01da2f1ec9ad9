"""One device from a reset to where nothing more happens: boots, installs, tries, settles or goes back."""

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from imgseal.records import NamedTuple
from imgseal.rehearse.boot import SET, Bootloader, Started
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.counters import Counters, Step, numbers_stored
from imgseal.rehearse.device import Device, Facts, Judgements
from imgseal.rehearse.flash import Flash, FlashRuleError, Operation, PowerCutError, Snapshot
from imgseal.rehearse.install import DELIVERED, Installer
from imgseal.rehearse.journal import Journal, NoPlaceError
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import Oracle, ViolationError
from imgseal.rehearse.trace import Trace
from imgseal.window import Bytes

if TYPE_CHECKING:
    from imgseal.findings import Verdict
    from imgseal.formats.install_record.record import Record
    from imgseal.formats.suit import delivery

RESETS = 400
"""So many resets in a row are no end."""


class Scenario(NamedTuple):
    """How the new set behaves, and whether the package can still be read after a power cut."""

    healthy: bool
    source: bool

    def __str__(self) -> str:
        return f"{'healthy' if self.healthy else 'failing'}-{'kept' if self.source else 'lost'}"


class Programs(NamedTuple):
    """The code under rehearsal."""

    device: type[Device] = Device
    bootloader: type[Bootloader] = Bootloader
    installer: type[Installer] = Installer
    journal: type[Journal] = Journal


class Moment(NamedTuple):
    """Everything that survives a power cut, and what the oracle has to remember of the package.

    `starts` are its trial starts; `tried` and `healthy` tell that its set was started, and has reported itself healthy.
    """

    blocks: Snapshot
    counters: dict[int, int]
    loose: frozenset[Step]
    starts: int
    tried: bool
    healthy: bool

    def storage(self, facts: Facts, noise: Noise) -> tuple[Flash, Counters]:
        """Return flash and counters as a device finds them that starts from here."""
        product = facts.product
        flash = Flash(product, Contents.of(self.blocks), noise, facts.worn)
        return flash, Counters(self.counters, self.loose, noise, numbers_stored(product), facts.full)


class Stage(NamedTuple):
    """A device at a moment, the verdict on a package there, and the oracle that knows what may follow.

    `steps` are those of a delivery that make images there.
    """

    facts: Facts
    moment: Moment
    oracle: Oracle
    verdict: "Verdict"
    steps: "tuple[delivery.Step, ...]" = ()


Log = Callable[[Operation | Step, Callable[[], Moment]], None]
"""Takes each operation, and what returns the moment before it."""


class Joined(Exception):  # noqa: N818 - control flow
    """The device is where an earlier run has been; what follows is known."""


RESET, ENDED, STOPPED = "reset", "ended", "stopped"
"""How a session ends: the device resets, nothing more happens, or the run was to end here."""


class Life:
    """Runs one device from a moment on.

    After `run`, `operations` counts the operations and `boots` the resets, `states` are the marks that were passed,
    `states_from` the operations before the first of them, `joined` tells that the run ended at a state whose future is
    known, `was_cut` that it ended in a cut.
    """

    def __init__(
        self,
        stage: Stage,
        scenario: Scenario,
        source: Bytes | None,
        judgements: Judgements,
        noise: Noise,
        programs: Programs,
    ) -> None:
        facts, moment, oracle = stage[:3]
        self.scenario = scenario
        self._oracle = oracle
        self._noise = noise
        self._programs = programs
        self._flash, self._counters = moment.storage(facts, noise)
        self.device = programs.device(facts, self._flash, self._counters, source, judgements)
        self.device.mark = self._mark
        self.device.verified = oracle.witness.verified
        self._flash.watch = self._flash_operation
        self._counters.watch = self._counter_operation
        self._starts = moment.starts
        self._tried = moment.tried
        self._healthy = moment.healthy
        self._cut: int | None = None
        self._tear: Noise | None = None
        self._known: set[object] = set()
        self._log: Log | None = None
        self._until_trial = False
        self._spared = False
        self.operations = 0
        self.power_on = True  # whether the next reset is one by power
        self.cuts = 0  # how often the power has failed before
        self.journal: Journal | None = None
        self.boots = 0
        self.down = True  # whether the product stands still, because the bootloader works
        self.states: list[object] = []
        self.states_from = 0
        self.joined = False
        self.was_cut = False
        self.started: Started | None = None
        self.record: Record | None = None

    def run(
        self,
        *,
        known: set[object],
        cut: int | None = None,
        tear: Noise | None = None,
        log: Log | None = None,
        until_trial: bool = False,
    ) -> None:
        """Run to the end, to operation number `cut`, or to a known state; ViolationError when an invariant breaks.

        `known` holds states whose future is known to be good. `log` takes each operation with the moment before it;
        `tear` decides where the cut tears its operation; `until_trial` ends the run when a new set is first started.
        """
        self._until_trial = until_trial
        self._known, self._cut, self._tear, self._log = known, cut, tear, log
        self._guarded(self._sessions)

    def run_session(
        self, *, cut: int | None = None, tear: Noise | None = None, spared: bool = False, log: Log | None = None
    ) -> str | None:
        """Run from a reset to the next one, and say how it ended; None where it was cut or joined another life.

        `spared` lets the cut come before its operation has changed anything.
        """
        self._cut, self._tear, self._spared, self._log = cut, tear, spared, log
        return self._guarded(self._session)

    def _guarded(self, play: "Callable[[], str]") -> str | None:
        try:
            return play()
        except Joined:
            self.joined = True
        except PowerCutError:
            self.was_cut = True
        except FlashRuleError as error:
            raise ViolationError("flash", str(error)) from None
        except ViolationError:
            raise
        except Exception as error:  # whatever the code under rehearsal does wrong
            raise ViolationError("starts", f"the device's code has failed: {type(error).__name__} {error}") from error
        return None

    def moment(self) -> Moment:
        """Return what a cut at this point leaves."""
        counters = self._counters
        blocks, firm = self._flash.blocks.branch(), dict(counters.firm)
        return Moment(blocks, firm, counters.loose, self._starts, self._tried, self._healthy)

    def _sessions(self) -> str:
        for _ in range(RESETS):
            how = self._session()
            if how != RESET:
                return how
        raise ViolationError("ends", f"no end after {RESETS} resets")

    def _session(self) -> str:
        device, programs, scenario = self.device, self._programs, self.scenario
        journal = self.journal = programs.journal(self._flash, device.product)
        self.boots += 1
        self.down = True
        self._noise.reset()
        self._oracle.witness.reset()
        try:
            started = programs.bootloader(device, journal).boot(power_on=self.power_on)
        except NoPlaceError:
            return RESET
        self.down = started.what != SET
        self._check_start(started, journal)
        self._oracle.witness.handed_over()
        self.started, self.record = started, journal.record
        self.power_on = False
        installer = programs.installer(device, journal)
        device.mark(f"started {started.what}, tidied {journal.tidied}")
        if started.what == SET and started.trial:
            is_new = self._oracle.is_tried(started, journal.record)
            if self._until_trial and is_new:
                return STOPPED
            if scenario.healthy or not is_new:
                self._healthy = self._healthy or is_new
                installer.report_healthy()
            elif journal.record is not None and not journal.record.trial:
                return self._end(started)  # without a way back nothing will change any more
            return RESET  # the watchdog resets a set that does not report itself healthy
        with suppress(NoPlaceError):  # what runs goes on running
            if installer.install() in (DELIVERED, RESET):
                return RESET
        return self._end(started)

    def _end(self, started: Started) -> str:
        # a set whose every start is cut before it is recorded as healthy gives way like one that never is
        used_up = self.cuts >= self.device.product.rules.trial_power_ons
        cut_off = used_up and self.record is not None and self._oracle.is_refused(self.record)
        self._oracle.ended(
            started, self.record, self._counters.firm, self._flash, healthy=self.scenario.healthy and not cut_off,
            source=self.device.source is not None, tried=self._tried,
        )  # fmt: skip
        return ENDED

    def _check_start(self, started: Started, journal: Journal) -> None:
        self._oracle.started(started, self._flash, source=self.device.source is not None)
        record = journal.record
        self._tried = self._tried or self._oracle.is_tried(started, record)
        if self._tried and not self._healthy and record is not None:
            self._oracle.gone_back(record)
        if started.trial and record is not None and record.trial:
            self._starts += 1
            self._oracle.trial_start(record, self._starts)

    def _flash_operation(self, operation: Operation) -> bool:
        self._oracle.operation(operation)
        return self._next(operation)

    def _counter_operation(self, step: Step) -> bool:
        self._oracle.counter_step(step, healthy=self._healthy)
        return self._next(step)

    def _next(self, operation: Operation | Step) -> bool:
        if self._log is not None:
            self._log(operation, self.moment)
        number = self.operations
        self.operations += 1
        if number != self._cut:
            return False
        if self._tear is not None:
            self._flash.noise = self._tear
        shown = operation if isinstance(operation, Operation) else f"counter of component {operation[0]}"
        self.device.say(f"power cut {'before' if self._spared else 'in'} operation {number}: {shown}")
        if self._spared:
            raise PowerCutError
        return True

    def _mark(self, where: str) -> None:
        """Remember where this is, and stop when it is known; torn flash may read otherwise next time, so not then."""
        if self._counters.loose or not self._flash.firm:
            return
        state = (
            where, self._starts, self._tried, self._healthy, self._flash.blocks.sum_of(None),
            tuple(sorted(self._counters.firm.items())),
        )  # fmt: skip
        if state in self._known:
            raise Joined
        if not self.states:
            self.states_from = self.operations
        self.states.append(state)

    @property
    def trace(self) -> Trace:
        """What was read of the flash."""
        return self._flash.trace

    @property
    def is_certain(self) -> bool:
        """Whether nothing that was read might have read otherwise."""
        return not self._noise.used
