"""`imgseal paths` against devices that are simulated from the factory on, in generated histories."""

import json
from pathlib import Path

import pytest
from long_runs import long
from workshop import Imgseal
from worlds import Made, Unit, make_world, new_unit

Answer = tuple[str, int, str]
"""The word, how many releases are in between, and the code of the first finding of whoever does not take it at once."""
KINDS = "plain", "channels", "layouts", "variants", "unlogged"
NOBODY: set[Answer] = {("nobody", 0, "")}


def units_of(releases: list[Made], variant: str) -> dict[int, list[Unit]]:
    """Every device by what it runs, by sequence: made with any complete release, after any of the later ones."""
    found: dict[int, dict[object, Unit]] = {}
    for index, release in enumerate(releases):
        package = release.packages[variant]
        came = [unit.after(package) for before in releases[:index] for unit in found[before.sequence].values()]
        born = new_unit(release, variant).after(package)
        if isinstance(born, Unit) and len(born.state.current) == 3:
            came.append(born)
        found[release.sequence] = {
            (each.product_file, each.channel, str(each.state.current)): each for each in came if isinstance(each, Unit)
        }
    return {sequence: list(units.values()) for sequence, units in found.items()}


def answer(unit: Unit, later: list[str], package: str) -> Answer:
    """What a device makes of a package: at once, after the fewest of the later packages, or not; all are tried out."""
    at_once = unit.after(package)
    if isinstance(at_once, Unit):
        return "direct", 0, ""
    steps = []
    for index, step in enumerate(later):
        after = unit.after(step)
        if isinstance(after, Unit):
            word, rest, _ = answer(after, later[index + 1 :], package)
            steps += [rest + 1] if word != "blocked" else []
    return ("through", min(steps), at_once) if steps else ("blocked", 0, at_once)


def refuse_unless_check_says_so(
    imgseal: Imgseal,
    releases: list[Made],
    withdrawn: int,
    variant: str,
    found: dict[tuple[str, int], set[Answer]],
    *,
    logged: bool,
) -> None:
    """Lead a device from the first release on through all that it takes, by its state file; each time ask `check`.

    Of what no log has it says so, once the device's checks have passed; `paths` may be asked before a release.
    """
    of = ["--product", releases[0].product_file, *(["--variant", variant] if variant else [])]
    of += ["--channel", releases[0].channel] if releases[0].channel else []
    device = f"unit{variant}.json"
    assert imgseal("device", "new", device, *of).status == 0
    for release in releases[:-1]:
        newer = f"unit{variant}-{release.sequence}.json"
        if imgseal("device", "apply", device, release.packages[variant], "--out", newer, *of).status:
            continue
        device = newer
        said = imgseal("check", releases[-1].packages[variant], "--device", device, "--json", *of)
        code = json.loads(said.out)["verdicts"][0]["first_finding"]
        if not logged and code == "gate.not-logged":
            code = None
        if release.sequence != withdrawn:
            answers = {code if word != "direct" else None for word, _, code in found[variant, release.sequence]}
            assert code in answers, (release.sequence, said.out)


def delivered(imgseal: Imgseal, releases: list[Made], variant: str) -> list[str]:
    """A delivery of the last release, from the latest of those before that can be its base."""
    *before, target = releases
    name = f"{variant}.delivery"
    of = ["--product", target.product_file, *(["--variant", variant] if variant else [])]
    of += ["--channel", target.channel] if target.channel else []
    for release in reversed(before):
        made = imgseal("deliver", target.packages[variant], "--from", release.packages[variant], "--out", name, *of)
        if made.status == 0:
            return [name]
    return []


@pytest.mark.parametrize("seed", [pytest.param(n, marks=() if n < len(KINDS) else long) for n in range(40)])
def test_paths_are_what_devices_do(imgseal: Imgseal, project: Path, seed: int) -> None:
    kind = KINDS[seed % len(KINDS)]
    releases = make_world(imgseal, seed, 6, kind)
    target, withdrawn = releases[-1], 0
    if seed % 3 == 0:
        withdrawn = releases[len(releases) // 2].sequence
        said = imgseal("log", "withdraw", str(len(releases) // 2), "--why", "a test")
        assert said.status == 0, said.err
    asked = [(line, each) for line, of in target.packages.items() for each in (of, *delivered(imgseal, releases, line))]
    for variant, package in asked:
        said = imgseal("paths", package, "--archive", "out", "--json")
        assert said.status == 0, said.err
        found: dict[tuple[str, int], set[Answer]] = {}
        for row in json.loads(said.out)["releases"]:
            code = row["why"][0]["finding"]["code"] if row["why"] and kind != "layouts" else ""
            key = row["variant"], row["sequence"]
            found.setdefault(key, set()).add((row["answer"], len(row["through"]), code))
        others = {word for (other, _), answers in found.items() if other != variant for word, _, _ in answers}
        assert others <= {"other-variant", "nobody"}
        units = units_of(releases, variant)
        for index, release in enumerate(releases[:-1]):
            later = [each.packages[variant] for each in releases[index + 1 : -1] if each.sequence != withdrawn]
            expected = {answer(unit, later, package) for unit in units[release.sequence]} or NOBODY
            if kind == "layouts":  # a device has no code for what the log says before it is asked
                expected = {(word, steps, "") for word, steps, _ in expected}
            assert found.get((variant, release.sequence), set()) == expected, (release.sequence, said.out)
        if kind != "layouts" and package in target.packages.values():
            refuse_unless_check_says_so(imgseal, releases, withdrawn, variant, found, logged=kind != "unlogged")
        itself = {("runs", 0, "")} if units[target.sequence] else NOBODY
        assert found.get((variant, target.sequence), set()) == (set() if kind == "unlogged" else itself)
        options = ("--archive", "out") if package not in target.packages.values() else ()
        answers = [
            imgseal(*command, package, *options).status for command in (("check",), ("report", "--out", "r.html"))
        ]
        assert answers[0] == answers[1], package
