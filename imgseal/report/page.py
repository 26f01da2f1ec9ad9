"""The page: a report document as one HTML file that loads nothing. Whatever comes from an artefact is escaped.

Rows of tables are prepared here, so that the template says what stands where and nothing else.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from imgseal.compare.text import NOWHERE
from imgseal.errors import Place
from imgseal.findings import FAILED, GROUPS, NOT_RUN, PASSED
from imgseal.report.drawing import draw_map, path_of
from imgseal.report.memory_map import size_words
from imgseal.report.timeline import joined
from imgseal.times import utc

if TYPE_CHECKING:
    from markupsafe import Markup

    Cell = str | int
    Rows = Iterable[tuple[Cell, ...]]

Json = dict[str, Any]

PARTS = (
    ("verdict", "Verdict"),
    ("package", "Package"),
    ("memory", "Memory"),
    ("checks", "Checks"),
    ("components", "Components"),
    ("signers", "Who signed"),
    ("changes", "Changes"),
    ("rehearsal", "Rehearsal"),
    ("refusals", "What is refused"),
    ("manifest", "Manifest"),
    ("evidence", "Evidence"),
    ("codes", "Codes of refusal"),
)
"""Anchor and heading of each part, in order."""

_NAMES = dict(PARTS)
_INSTALLS = {None: "", True: ": is installed here", False: ": not installed on this device"}


_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Letters and marks that Python calls printable and that show nothing: fillers, joiners, variation selectors."""

_MARKS = 3
"""Combining marks that one character may carry; scripts that stack them need no more."""


def printable(text: str) -> str:
    """Show what a browser would obey, drop or pile up by its number.

    These are control characters, changes of direction, blank letters, and combining marks beyond a few.
    """
    if text.isascii() and text.isprintable():
        return text
    out, marks = [], 0
    for character in text:
        marks = marks + 1 if unicodedata.category(character) in ("Mn", "Me") else 0
        seen = character.isprintable() and not _UNSEEN.match(character)
        out.append(character if seen and marks <= _MARKS else _by_number(character))
    return "".join(out)


def _by_number(character: str) -> str:
    number = ord(character)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{{{number:x}}}"


def render(document: Json) -> str:
    """Return the page of a report document."""
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415 - 40 ms, only for pages
    from markupsafe import Markup  # noqa: PLC0415 - the same

    def finalize(value: object) -> object:
        return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    environment = Environment(autoescape=True, undefined=StrictUndefined, finalize=finalize, trim_blocks=False)
    here = files("imgseal.report")
    template = environment.from_string(here.joinpath("page.html").read_text(encoding="utf-8"))
    style = Markup(here.joinpath("page.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file
    return template.render(
        doc=document, style=style, parts=PARTS, draw_map=draw_map, path_of=path_of, joined=joined, size=size_words,
        address=_address, place=_place, tree=_tree, span=_span, runs=_runs, **_row_makers(Markup),
    )  # fmt: skip


def _address(value: int) -> str:
    return f"0x{value:08x}"


def _place(place: Json) -> str:
    return str(Place(**place))


def _span(seconds: list[float] | None) -> str:
    return "" if seconds is None else f"{seconds[0]:.1f} to {seconds[1]:.1f} s"


def _runs(operations: dict[str, int]) -> str:
    """Say how many operations each undisturbed run has; a scenario is named `healthy-kept`."""
    return " and ".join(f"{count} operations ({name.split('-')[0]} set)" for name, count in operations.items())


def _tree(lines: list[Json]) -> list[tuple[str, list[Any]]]:
    """Turn lines with their depth into nested pairs of text and what stands below."""
    root: list[tuple[str, list[Any]]] = []
    open_: list[tuple[int, list[tuple[str, list[Any]]]]] = [(-1, root)]
    for line in lines:
        while open_[-1][0] >= line["depth"]:
            open_.pop()
        below: list[tuple[str, list[Any]]] = []
        open_[-1][1].append((line["text"], below))
        open_.append((line["depth"], below))
    return root


def _said_of(brings: Json) -> str:
    return ": the same bytes are there" if brings["same"] else _INSTALLS[brings["installs"]]


def _row_makers(markup: "type[Markup]") -> dict[str, Callable[..., Any]]:
    """Return the functions that make rows; texts in them are escaped by the template, markup is made by `markup`."""

    def mono(text: object) -> "Markup":
        return markup('<bdi class="mono">{}</bdi>').format(printable(str(text)))

    def alone(text: object) -> "Markup":
        """Keep the direction of a name from what stands beside it."""
        return markup("<bdi>{}</bdi>").format(printable(str(text)))

    def result(word: str, shown: str | None = None) -> "Markup":
        name = word.replace(" ", "-").replace("'", "")
        return markup('<span class="result {}">{}</span>').format(name, shown or word)

    def code(name: str) -> "Markup":
        return markup('<a href="#code-{0}"><code>{0}</code></a>').format(printable(name))

    def links(pairs: Iterable[tuple[str, str]]) -> "Markup":
        return markup(", ").join(markup('<a href="#{}">{}</a>').format(where, words) for where, words in pairs)

    def memory_rows(memory: Json) -> "Rows":
        for part in memory["ranges"]:
            holds, brings = part["holds"], part["brings"]
            words = "" if brings is None else brings["words"] + _said_of(brings)
            free = "" if part["free"] is None else size_words(part["free"])
            rest = f"{part['over']} bytes too many" if part["over"] else free
            yield (
                mono(_address(part["start"])), size_words(part["size"]), part["slot"] or "", part["use"],
                "" if holds is None else holds["words"], words, rest,
            )  # fmt: skip

    def check_tables(checks: list[Json]) -> Iterator[tuple[str, list[str], "Rows"]]:
        for subject in dict.fromkeys(check["subject"] for check in checks):
            mine = [check for check in checks if check["subject"] == subject]
            rows = list(check_rows(mine))
            shown = [n for n in range(5) if n < 2 or any(row[n] for row in rows)]
            heads = ("group", "passed", "failed", "did not run", "did not apply")
            yield (
                subject or "this artefact",
                [heads[n] for n in shown],
                [tuple(row[n] for n in shown) for row in rows],
            )

    def check_rows(checks: list[Json]) -> "Rows":
        for group in GROUPS:
            mine = [check for check in checks if check["group"] == group]
            if not mine:
                continue
            failed = markup("; ").join(
                markup("{} ({})").format(c["name"], markup(", ").join(code(f["code"]) for f in c["findings"]))
                for c in mine
                if c["outcome"] == FAILED
            )
            others = [c for c in mine if not c["mandatory"]]
            unanswered = [c for c in mine if c["mandatory"]]
            yield group, _named(mine, PASSED), failed, _named(unanswered, NOT_RUN), _named(others, NOT_RUN)

    def refusal(each: Json) -> "Markup":
        if each["answer"] == "accepted":
            return markup("{} accepted").format(result("failed"))
        first = each["first_finding"]
        refused = result("passed", "refused") if each["fits"] else result("not shown", "refused for another reason")
        if first is None:
            return markup("{} because a check did not run").format(refused)
        return markup("{} {}").format(refused, code(first))

    def evidence_rows(rows: list[Json], observations: list[Json]) -> "Rows":
        seen = {each["id"]: each for each in observations}
        for row in rows:
            status = f" ({row['status']})" if row["status"] else ""
            checked = links(
                (f"seen-{name}", f"{seen[name]['title']}: {seen[name]['answer']}") for name in row["observations"]
            )
            yield row["clause"] + status, row["gist"], result(row["result"]), checked, row["maker"] or ""

    def probe_rows(observations: list[Json]) -> "Rows":
        for each in observations:
            title = markup('<span id="seen-{}">{}</span>').format(each["id"], each["title"])
            yield title, result(each["answer"]), each["words"], links([(each["where"], _NAMES[each["where"]])])

    return {
        "memory_rows": memory_rows,
        "check_tables": check_tables,
        "component_rows": lambda components: _component_rows(components, alone, markup),
        "image_rows": lambda components: _image_rows(components, mono),
        "anchor_rows": lambda keys: _anchor_rows(keys, mono),
        "key_rows": lambda leaks: [(k["slot"], k["what"], k["offset"], "yes" if k["allowed"] else "no") for k in leaks],
        "change_rows": lambda changes: [(c["what"], c["old"] or NOWHERE, c["new"] or NOWHERE) for c in changes],
        "slot_rows": _slot_rows,
        "lane_rows": lambda rows: [
            (r["name"], r["memory"] or "", r["erases"], r["programs"], r["steps"]) for r in rows
        ],
        "event_rows": lambda events: [(event["at"], event["what"]) for event in events],
        "wear_rows": _wear_rows,
        "rule_rows": lambda rules: list(rules.items()),
        "refusal_rows": lambda refusals: [(each["what"], refusal(each)) for each in refusals],
        "probe_rows": probe_rows,
        "evidence_rows": evidence_rows,
    }


def _named(checks: list[Json], outcome: str) -> str:
    words = []
    for check in checks:
        if check["outcome"] == outcome:
            because = f" ({check['because']})" if check["because"] else ""
            words.append(check["name"] + because)
    return ", ".join(words)


def _component_rows(components: list[Json], alone: "Callable[[object], Markup]", markup: "type[Markup]") -> "Rows":
    for each in components:
        images, before = each["images"], each["counter_before"]
        hazard = markup(" Caution: {}").format(alone(each["hazard"])) if each["hazard"] else ""
        about = markup("{} ({}, {}){}").format(alone(each["name"]), each["number"], each["kind"], hazard)
        back = "recovery image" if each["recovery"] else "yes" if each["way_back"] else "none"
        if images:
            version = _by_slot(images, lambda image: image["version"])
            counter = _by_slot(images, partial(_counter, before))
            steps = _by_slot(images, partial(_steps, each["counter_steps"]))
            needs = _by_slot(images, lambda image: ", ".join(image["needs"]) or "nothing")
        else:
            version = "not readable" if each["in_package"] is None else "not in this package"
            counter = "" if before is None else f"{before} on the device"
            steps = "" if before is None else _steps(each["counter_steps"], {"counter": before})
            needs = ""
        yield about, version, counter, steps, f"at {each['judged']}", back, needs


def _by_slot(images: list[Json], words: Callable[[Json], str]) -> str:
    """Say once what all images of a component say, and by slot where they differ."""
    said = [words(image) for image in images]
    if len(set(said)) == 1:
        return said[0]
    return "; ".join(f"{image['slot']}: {each or 'nothing'}" for image, each in zip(images, said, strict=True))


def _counter(before: int | None, image: Json) -> str:
    counter = image["counter"]
    return str(counter) if before in (None, counter) else f"{counter}, was {before}"


def _steps(steps: int | None, image: Json) -> str:
    counter = image["counter"]
    if steps is None:
        return ""
    if counter > steps:
        return f"none: {counter} is more than the {steps} that the counter storage can hold"
    return f"{steps - counter} of {steps}"


def _image_rows(components: list[Json], mono: "Callable[[object], Cell]") -> "Rows":
    for each in components:
        for image in each["images"]:
            yield (
                image["slot"], image["version"], f"{image['payload']} bytes", size_words(image["room"]),
                utc(image["built"]), mono(image["revision"] or "none"), mono(image["sha256"]),
            )  # fmt: skip


def _anchor_rows(keys: list[Json], mono: "Callable[[object], Cell]") -> "Rows":
    for key in keys:
        limits = [*key["components"], *key["classes"]]
        limits += [f"from {key['from']}"] if key["from"] else []
        limits += [f"until {key['until']}"] if key["until"] else []
        limits += [f"everyone has it: {key['known_to_everyone']}"] if key["known_to_everyone"] else []
        role = key["role"] + (", development" if key["development"] else "")
        yield (
            key["file"], role, key["kind"], ", ".join(key["signed"]) or "nothing here", ", ".join(limits) or "none",
            mono(key["thumbprint"]),
        )  # fmt: skip


def _slot_rows(slots: list[Json]) -> "Rows":
    for slot in slots:
        if slot["left_alone"]:
            yield slot["slot"], slot["component"], "not in this package: left alone", "0", "0"
            continue
        if slot["unchanged"]:
            yield slot["slot"], slot["component"], "the same bytes", "0", "0"
            continue
        words = [f"{c['what']} {c['old'] or NOWHERE} to {c['new'] or NOWHERE}" for c in slot["changes"]]
        if slot["same_version"]:
            words.append("another payload under the same version")
        yield (
            slot["slot"], slot["component"], "; ".join(words) or "content only",
            f"{slot['bytes_changed']} of {slot['bytes_new']}",
            f"{slot['blocks_changed']} of {slot['blocks_written']}, {size_words(slot['block'])} each",
        )  # fmt: skip


def _wear_rows(estimate: Json) -> "Rows":
    for use in estimate["memories"]:
        updates = "not stated" if use["updates"] is None else str(use["updates"])
        yield use["memory"], use["erases"], use["most"], use["bytes_written"], _span(use["seconds"]), updates
