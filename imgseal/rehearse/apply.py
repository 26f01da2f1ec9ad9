"""What a package makes of a device when nothing goes wrong: the same programs, without cuts."""

from collections.abc import Mapping

from imgseal.device_state.device import DeviceState, device_state
from imgseal.findings import Verdict
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.life import Life, Programs, Scenario
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import Bytes

ENDINGS = ("healthy", "trial", "failed")
"""The set has settled; it runs and has not reported itself healthy yet; it never did, and its starts are used up."""


class Applied(NamedTuple):
    """The verdict, and if the package was accepted the state after it, what each slot holds, and what happened."""

    verdict: Verdict
    state: DeviceState
    slots: Mapping[str, bytes]
    events: tuple[str, ...]


def apply(
    product: Product,
    trust: Trust,
    state: DeviceState,
    contents: Mapping[str, Bytes],
    package: Bytes,
    *,
    ending: str = "healthy",
    development: bool = False,
) -> Applied:
    """Install a package and follow the device to one of the ENDINGS; a refused package changes nothing."""
    stage = set_up(product, trust, state, contents, package, development=development)
    if not stage.verdict.accepted:
        return Applied(stage.verdict, state, {}, ())
    scenario = Scenario(healthy=ending == "healthy", source=True)
    life = Life(stage.facts, stage.moment, scenario, stage.oracle, package, Judgements(), Noise("apply"), Programs())
    life.run(known=set(), until_trial=ending == "trial")
    moment = life.moment()
    record, slots = read_slots(product, moment)
    after = device_state(
        record,
        product.rules,
        product.numbers,
        hardware=state.hardware,
        counters={number: value for number, value in moment.counters.items() if value},
        slots={},
        bootloader=state.bootloader,
        battery_mwh=state.battery_mwh,
        authorised=state.authorised,
        revoked=state.revoked,
    )
    return Applied(stage.verdict, after, slots, tuple(life.device.events))
