"""The compiled boot code of devices that boot by digest, for the rules of tests/rehearse/mark_rules.py."""

import hashlib
from pathlib import Path

from c_boot import Library, programs_in_c
from c_build import SOURCES
from mark_rules import Make
from workshop import trust_of

from imgseal.device_code.config import config_header, options_header
from imgseal.rehearse.device import Facts
from imgseal.rehearse.life import Programs


def compiled(folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O1",)) -> Make:
    """Programs that are compiled once for each product file; a device for development has its own bootloader."""
    made: dict[str, Programs] = {}
    in_field: dict[str, bool] = {}

    def programs(facts: Facts) -> Programs:
        of, trust = facts.product, trust_of(facts.product)
        text = config_header(of, trust, development=facts.development) + options_header(of)
        name = hashlib.sha256(text.encode()).hexdigest()[:16]
        if name not in made:
            in_field[name] = facts.development
            library = Library(of, folder / name, sources, flags, development=facts.development)
            made[name] = programs_in_c(library)
        return made[name]

    return programs
