"""Which resets of a life come with the power: its first one. A cut ends a life; what follows it is another.

Reference: docs/format/install-record.md, which bounds the starts of a trial after power-on and after any other reset
apart.
"""

import pytest
from stages import PRODUCTS, pair

from imgseal.formats.install_record.record import TRIAL
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life, Programs, Stage
from imgseal.rehearse.noise import Noise
from imgseal.window import Bytes

FAILING = next(scenario for scenario in SCENARIOS if scenario.source and not scenario.healthy)


def lived(stage: Stage, package: Bytes) -> tuple[list[bool], list[bool]]:
    """Causes of the boots, and those of them that started the trial, where the new set never runs well."""
    boots: list[bool] = []
    trials: list[bool] = []

    class Noting(Bootloader):
        def boot(self, *, power_on: bool) -> Started:
            boots.append(power_on)
            started = super().boot(power_on=power_on)
            record = self.journal.record
            if record is not None and record.phase == TRIAL and started.trial:
                trials.append(power_on)
            return started

    life = Life(stage, FAILING, package, Judgements(), Noise("resets"), Programs(bootloader=Noting))
    life.run(known=set())
    return boots, trials


@pytest.mark.parametrize("name", PRODUCTS)
def test_only_the_first_one_of_a_life(name: str) -> None:
    stage, package = pair(name).stage, pair(name).package
    boots, trials = lived(stage, package)
    assert boots[0]
    assert len(boots) > 1
    assert not any(boots[1:])
    product = stage.facts.product
    if all(component.returns for component in product.components.values() if not component.recovery):
        assert trials == [False] * product.rules.trial_attempts
