"""What a package makes of a device when nothing goes wrong: the same programs, without cuts."""

from collections.abc import Mapping

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, recorded_state
from imgseal.findings import Verdict
from imgseal.records import NamedTuple
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.life import Life, Moment, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import Bytes


class Applied(NamedTuple):
    """The verdict, and if the package was accepted the state after it, what each slot holds, and what happened."""

    verdict: Verdict
    state: DeviceState
    slots: Mapping[str, bytes]
    events: tuple[str, ...]


def apply(context: Context, package: Bytes, *, ending: str = "healthy") -> Applied:
    """Install a package and follow the device to an ending; a refused package changes nothing.

    `healthy`: the set has settled; `trial`: it runs and has not reported itself healthy yet; `failed`: it never did,
    and its starts are used up.
    """
    stage = set_up(context, package)
    if not stage.verdict.accepted:
        return Applied(stage.verdict, context.state, {}, ())
    scenario = Scenario(healthy=ending == "healthy", source=True)
    life = Life(stage, scenario, package, Judgements(), Noise("apply"), Programs())
    life.run(known=set(), until_trial=ending == "trial")
    return come_to(stage, life.moment(), tuple(life.device.events))


def come_to(stage: Stage, moment: Moment, events: tuple[str, ...]) -> Applied:
    """Return what a life has come to that began on a stage."""
    product = stage.facts.product
    record, slots = read_slots(product, moment)
    counters = {number: value for number, value in moment.counters.items() if value}
    return Applied(stage.verdict, recorded_state(stage.facts.state, record, product, counters), slots, events)
