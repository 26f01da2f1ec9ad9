"""A sequence of power cuts as one line, and played again on the device that every rehearsal plays on."""

from itertools import repeat

from imgseal.rehearse.adversary import BLOCK, ERASED, ERROR, FIELDS, HELD, PART, WRONG, At, Script, Thing
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.life import RESET, RESETS, Life, Programs, Scenario, Stage
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.states import ENDLESS, Found, How, State
from imgseal.window import Bytes

_WORDS = {True: "healthy", False: "failing"}
_FIRST = "any"
_RESET, _OFF = "reset", "off"
_SHOWN = 200
"""Lines of a device that resets itself for ever."""


def token_of(found: Found) -> str:
    """Return the line that names a sequence."""
    return ":".join((_FIRST, _WORDS[found.healthy], "/".join(map(_session, found.sessions))))


def is_token(text: str) -> bool:
    """Say whether a text is meant as such a line."""
    return text.startswith(f"{_FIRST}:")


def parse(text: str) -> tuple[bool, tuple[How, ...]]:
    """Read a line as `token_of` writes it: whether the set is healthy, and the sessions; ValueError for another."""
    first, word, sessions = text.split(":")
    if first != _FIRST or word not in _WORDS.values():
        raise ValueError(text)
    parts = sessions.split("/")
    read = tuple(_read(part) for part in parts)
    if "/".join(map(_session, read)) != sessions:
        raise ValueError(text)
    return word == _WORDS[True], read


def _session(how: How) -> str:
    if how.cut is None:
        words = _OFF if how.power_on else _RESET
    else:
        words = f"{how.cut}" if how.unit is None else f"{how.cut}.{how.unit}"
    unusual = [f"{_thing(thing)}={said}" for thing, said in how.answers if said != HELD or thing.turn]
    return words + ("" if how.kept else "!") + "".join(f"@{each}" for each in sorted(unusual))


def _thing(thing: Thing) -> str:
    unit = "" if thing.unit == BLOCK else f".{thing.unit}"
    return f"{thing.memory}.{thing.number}{unit}" + (f"~{thing.turn}" if thing.turn else "")


def _read(text: str) -> How:
    words, *said = text.split("@")
    answers = []
    for each in said:
        name, _, answer = each.partition("=")
        name, _, turn = name.partition("~")
        memory, number, *unit = name.split(".")
        if answer not in (HELD, ERASED, WRONG, PART, ERROR, *FIELDS) or len(unit) > 1:
            raise ValueError(text)
        answers.append((Thing(memory, int(number), int(unit[0]) if unit else BLOCK, int(turn or 0)), answer))
    kept = not words.endswith("!")
    words = words.rstrip("!")
    if words in (_OFF, _RESET):
        return How(tuple(answers), None, None, kept, words == _OFF)
    cut, dot, place = words.partition(".")
    return How(tuple(answers), int(cut), int(place) if dot else None, kept)


def replay(
    stage: Stage, package: Bytes, *, healthy: bool, sessions: tuple[How, ...], programs: Programs | None = None
) -> tuple[ViolationError | None, tuple[str, ...]]:
    """Play a sequence; return what it violates, if anything, and everything that happened.

    After the last session it goes on as long as the device resets itself, with the same answers.
    """
    events: list[str] = []
    state, judgements = State(stage.moment, source=True, power_on=True), Judgements()
    stage = stage._replace(oracle=stage.oracle.apart())
    over = How(sessions[-1].answers, power_on=False)
    for number, how in enumerate((*sessions, *repeat(over, RESETS))):
        script = Script(dict(how.answers), changing=any(thing.turn for thing, _ in how.answers))
        scenario, given = Scenario(healthy, state.source), package if state.source else None
        life = Life(stage._replace(moment=state.moment), scenario, given, judgements, script, programs or Programs())
        life.power_on = state.power_on
        life.cuts = sum(each.power_on for each in sessions[:number])
        tear = None if how.unit is None else At(how.unit)
        try:
            ended = life.run_session(cut=how.cut, tear=tear, spared=how.unit is None)
        except ViolationError as error:
            return error, (*events, *_said(script), *life.device.events)
        events += [*_said(script), *life.device.events]
        if number + 1 >= len(sessions) and ended != RESET:
            return None, tuple(events)
        if how.cut is None:
            events.append("the power is switched off and on" if how.power_on else "the device resets")
        if state.source != how.kept:
            events.append("the package is there again" if how.kept else "the package is lost")
        state = State(life.moment(), how.kept, how.power_on)
    return ViolationError("ends", ENDLESS), tuple(events[:_SHOWN])


def _said(script: Script) -> list[str]:
    return [f"reads as {said}: {thing}" for thing, said in script.given_first.items()]
