"""`imgseal paths` against devices that are simulated from the factory on, in generated histories."""

import json
from pathlib import Path

import pytest
from workshop import Imgseal
from worlds import Made, Unit, make_world, new_unit

Answer = tuple[str, int]


def _units(releases: list[Made], variant: str) -> dict[str, dict[object, Unit]]:
    """Every device by the version that it runs: made with any complete release, after any of the later ones."""
    found: dict[str, dict[object, Unit]] = {release.version: {} for release in releases}
    for index, release in enumerate(releases):
        for before in releases[:index]:
            for unit in list(found[before.version].values()):
                _put(found[release.version], unit.after(release.packages[variant]))
        born = new_unit(release.product_file, variant).after(release.packages[variant])
        if isinstance(born, Unit) and len(born.state.current) == 3:
            _put(found[release.version], born)
    return found


def _put(units: dict[object, Unit], unit: Unit | str) -> None:
    if isinstance(unit, Unit):
        key = unit.product_file, str(unit.state.current), str(unit.state.counters)
        units.setdefault(key, unit)


def _answer(unit: Unit, later: list[str], package: str, known: dict[object, Answer]) -> Answer:
    """What a device makes of a package: at once, after how many of the later packages, or not; the way is tried out."""
    if isinstance(unit.after(package), Unit):
        return "direct", 0
    best: Answer = "none", 0
    for index, step in enumerate(later):
        after = unit.after(step)
        if isinstance(after, Unit):
            rest = _answer(after, later[index + 1 :], package, known)
            if rest[0] != "none" and (best[0] == "none" or rest[1] + 1 < best[1]):
                best = "through", rest[1] + 1
    return best


@pytest.mark.parametrize("seed", range(12))
def test_paths_are_what_devices_do(imgseal: Imgseal, project: Path, seed: int) -> None:
    releases = make_world(imgseal, seed, 6)
    assert len(releases) > 2
    target, withdrawn = releases[-1], set[str]()
    if seed % 3 == 0:
        withdrawn.add(releases[len(releases) // 2].version)
        said = imgseal("log", "withdraw", *withdrawn, "--why", "a test")
        assert said.status == 0, said.err
    said = imgseal("paths", target.packages[""], "--archive", "out", "--json")
    assert said.status == 0, said.err
    found: dict[str, set[Answer]] = {}
    for row in json.loads(said.out)["releases"]:
        found.setdefault(row["version"], set()).add((row["answer"], len(row["through"])))
    units = _units(releases, "")
    for index, release in enumerate(releases[:-1]):
        if release.version in withdrawn:
            assert release.version not in found
            continue
        later = [each.packages[""] for each in releases[index + 1 : -1] if each.version not in withdrawn]
        expected = {_answer(unit, later, target.packages[""], {}) for unit in units[release.version].values()}
        assert found.get(release.version, set()) == expected, (seed, release.version, said.out)
    assert found[target.version] == {("runs", 0)}
