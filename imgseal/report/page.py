"""The page: a report document as one HTML file that loads nothing. Whatever comes from an artefact is escaped.

The template says what stands where; here is what it asks for: words for cells that are worked out of several values.
"""

from collections.abc import Callable, Iterator
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from imgseal.compare.text import NOWHERE
from imgseal.errors import Place
from imgseal.findings import GROUPS
from imgseal.paths.text import answer_words, cost_words, group_words, release_words, unknown_costs, why_words
from imgseal.rehearse.text import span
from imgseal.report.document import OUTCOMES
from imgseal.report.drawing import draw_map, draw_ways, path_of
from imgseal.report.memory_map import size_words
from imgseal.report.phases_drawing import draw_phases
from imgseal.report.printable import printable
from imgseal.report.timeline import joined
from imgseal.times import utc

Json = dict[str, Any]

PARTS = {
    "verdict": "Verdict",
    "package": "Package",
    "memory": "Memory",
    "checks": "Checks",
    "components": "Components",
    "signers": "Who signed",
    "changes": "Changes",
    "paths": "Who can take it",
    "rehearsal": "Rehearsal",
    "refusals": "What is refused",
    "manifest": "Manifest",
    "evidence": "Evidence",
    "codes": "Codes of refusal",
}
"""Anchor and heading of each part, in order."""


def render(document: Json) -> str:
    """Return the page of a report document."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, finalize=_shown)
    here = files("imgseal.report")
    template = environment.from_string(here.joinpath("page.html").read_text(encoding="utf-8"))
    style = Markup(here.joinpath("page.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file
    seen = {each["id"]: each for each in document["evidence"]["observations"]}
    return template.render(
        doc=document, style=style, parts=PARTS, nowhere=NOWHERE, seen=seen, of=_of, draw_map=draw_map, path_of=path_of,
        joined=joined, size=size_words, utc=utc, address="0x{:08x}".format, tree=_tree, span=span,
        check_tables=_check_tables, version=_version, counter=_counter, steps_left=_steps_left, needs=_needs,
        limits=_limits, slot_changes=_slot_changes, place=lambda place: str(Place(**place)),
        draw_ways=draw_ways, draw_phases=draw_phases, leads_to=_leads_to,
        group_words=group_words, release_words=release_words, answer_words=answer_words,
        why_words=why_words, cost_words=cost_words, unknown_costs=unknown_costs,
    )  # fmt: skip


def _shown(value: object) -> object:
    """Return what the template writes for a value; markup is our own."""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _of(key: str, words: Callable[[Any], object]) -> Callable[[Json], object]:
    """Return a column: what `words` makes of one value of each row."""
    return lambda row: words(row[key])


def _tree(lines: list[Json]) -> list[tuple[str, list[Any]]]:
    """Turn lines with their depth into nested pairs of text and what stands below."""
    root: list[tuple[str, list[Any]]] = []
    open_ = [(-1, root)]
    for line in lines:
        while open_[-1][0] >= line["depth"]:
            open_.pop()
        below: list[tuple[str, list[Any]]] = []
        open_[-1][1].append((line["text"], below))
        open_.append((line["depth"], below))
    return root


def _check_tables(checks: list[Json], failures: Callable[[Any], object]) -> Iterator[tuple[str, Json, list[Json]]]:
    """Yield each subject with its columns, and a row for each group; columns that say nothing are left out."""
    for subject in dict.fromkeys(check["subject"] for check in checks):
        mine = [check for check in checks if check["subject"] == subject]
        rows = [
            {"group": group}
            | {name: [c for c in mine if c["group"] == group and fits(c)] for name, fits in OUTCOMES.items()}
            for group in GROUPS
            if any(check["group"] == group for check in mine)
        ]
        shown = [name for name in OUTCOMES if name == "passed" or any(row[name] for row in rows)]
        columns = {name.replace("_", " "): _of(name, failures if name == "failed" else _named) for name in shown}
        yield subject or "this artefact", {"group": "group", **columns}, rows


def _named(checks: list[Json]) -> str:
    return ", ".join(c["name"] + (f" ({c['because']})" if c["because"] else "") for c in checks)


def _leads_to(explored: Json, *, cut: bool) -> Callable[[Json], str]:
    """Return a column: the phases that one leads to, by itself or where the power fails, with how often."""

    def column(phase: Json) -> str:
        ways = [way for way in explored["ways"] if way["start"] == phase["name"] and way["cut"] == cut]
        return ", ".join(f"{way['end']} ({way['times']})" for way in ways)

    return column


def _by_slot(component: Json, words: Callable[[Json], str]) -> str:
    """Say once what all images of a component say, and by slot where they differ."""
    said = {image["slot"]: words(image) for image in component["images"]}
    if len(set(said.values())) < 2:
        return next(iter(said.values()), "")
    return "; ".join(f"{slot}: {each or 'nothing'}" for slot, each in said.items())


def _version(component: Json) -> str:
    if not component["images"]:
        return "not readable" if component["in_package"] is None else "not in this package"
    return _by_slot(component, lambda image: image["version"])


def _counter(component: Json) -> str:
    before = component["counter_before"]
    if not component["images"]:
        return "" if before is None else f"{before} on the device"
    was = "" if before is None else f", was {before}"
    return _by_slot(component, lambda image: f"{image['counter']}{'' if image['counter'] == before else was}")


def _steps_left(component: Json) -> str:
    steps, before = component["counter_steps"], component["counter_before"]

    def left(counter: int) -> str:
        if counter > steps:
            return f"none: {counter} is more than the {steps} that the counter storage can hold"
        return f"{steps - counter} of {steps}"

    if steps is None:
        return ""
    if not component["images"]:
        return "" if before is None else left(before)
    return _by_slot(component, lambda image: left(image["counter"]))


def _needs(component: Json) -> str:
    return _by_slot(component, lambda image: ", ".join(image["needs"]) or "nothing")


def _limits(key: Json) -> str:
    said = {"from": key["from"], "until": key["until"], "everyone has it:": key["known_to_everyone"]}
    limits = [*key["components"], *key["classes"], *(f"{word} {value}" for word, value in said.items() if value)]
    return ", ".join(limits) or "none"


def _slot_changes(slot: Json) -> str:
    if slot["left_alone"]:
        return "not in this package: left alone"
    if slot["unchanged"]:
        return "the same bytes"
    words = [f"{c['what']} {c['old'] or NOWHERE} to {c['new'] or NOWHERE}" for c in slot["changes"]]
    if slot["same_version"]:
        words.append("another payload under the same version")
    return "; ".join(words) or "content only"
