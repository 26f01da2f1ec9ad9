"""The page: a report document as one HTML file that loads nothing. Whatever comes from an artefact is escaped.

Rows of tables are prepared here, so that the template says what stands where and nothing else.
"""

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from imgseal.errors import Place
from imgseal.findings import FAILED, GROUPS, NOT_RUN, PASSED
from imgseal.report.drawing import draw_map, path_of
from imgseal.report.memory_map import size_words

if TYPE_CHECKING:
    from markupsafe import Markup

    Cell = str | int
    Rows = Iterable[tuple[Cell, ...]]

__all__ = ["PARTS", "printable", "render"]

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


def printable(text: str) -> str:
    """Show what a browser would obey or drop, such as control characters and changes of direction, by its number."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


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
    checks = document["verdict"]["checks"]
    counts = {
        outcome: sum(c["outcome"] == outcome and (c["mandatory"] or outcome != NOT_RUN) for c in checks)
        for outcome in (PASSED, FAILED, NOT_RUN)
    }
    return template.render(
        doc=document, style=style, parts=PARTS, counts=counts, draw_map=draw_map, path_of=path_of, size=size_words,
        address=_address, place=_place, tree=_tree, span=_span, **_row_makers(Markup),
    )  # fmt: skip


def _address(value: int) -> str:
    return f"0x{value:08x}"


def _place(place: Json) -> str:
    return str(Place(**place))


def _span(seconds: list[float] | None) -> str:
    return "" if seconds is None else f"{seconds[0]:.1f} to {seconds[1]:.1f} s"


def _when(seconds: int | None) -> str:
    if seconds is None:
        return ""
    try:
        return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")
    except (OverflowError, ValueError, OSError):  # a year that no calendar here has
        return f"second {seconds}"


def _tree(lines: list[str]) -> list[tuple[str, list[Any]]]:
    """Turn indented lines into nested pairs of text and what stands below."""
    root: list[tuple[str, list[Any]]] = []
    open_: list[tuple[int, list[tuple[str, list[Any]]]]] = [(-1, root)]
    for line in lines:
        depth = len(line) - len(line.lstrip(" "))
        while open_[-1][0] >= depth:
            open_.pop()
        below: list[tuple[str, list[Any]]] = []
        open_[-1][1].append((line.strip(" "), below))
        open_.append((depth, below))
    return root


def _row_makers(markup: "type[Markup]") -> dict[str, Callable[..., Any]]:
    """Return the functions that make rows; texts in them are escaped by the template, markup is made by `markup`."""

    def mono(text: object) -> "Markup":
        return markup('<span class="mono">{}</span>').format(printable(str(text)))

    def result(word: str, shown: str | None = None) -> "Markup":
        name = word.replace(" ", "-").replace("'", "")
        return markup('<span class="result {}">{}</span>').format(name, shown or word)

    def code(name: str) -> "Markup":
        return markup('<a href="#code-{0}"><code>{0}</code></a>').format(printable(name))

    def links(pairs: Iterable[tuple[str, str]]) -> "Markup":
        return markup(", ").join(markup('<a href="#{}">{}</a>').format(where, words) for where, words in pairs)

    def memory_rows(memory: Json) -> "Rows":
        for part in memory["ranges"]:
            holds = ("new: " if part["new"] else "") + (part["holds"] or "")
            yield (
                mono(_address(part["start"])), size_words(part["size"]), part["slot"] or "", part["use"], holds,
                "" if part["free"] is None else size_words(part["free"]),
            )  # fmt: skip

    def check_tables(checks: list[Json]) -> Iterator[tuple[str, list[str], "Rows"]]:
        for subject in dict.fromkeys(check["subject"] for check in checks):
            mine = [check for check in checks if check["subject"] == subject]
            rows = list(check_rows(mine))
            shown = [n for n in range(4) if n < 2 or any(row[n] for row in rows)]
            heads = ("group", "passed", "failed", "did not run")
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
            yield group, _named(mine, PASSED), failed, _named(mine, NOT_RUN)

    def code_or_words(first: str | None) -> "Markup":
        if first is None:
            return markup("{} accepted").format(result("failed"))
        if "." not in first:
            return markup("{} {}").format(result("failed"), first)
        return markup("{} {}").format(result("passed", "refused"), code(first))

    def evidence_rows(rows: list[Json], observations: list[Json]) -> "Rows":
        seen = {each["id"]: each for each in observations}
        for row in rows:
            status = f" ({row['status']})" if row["status"] else ""
            checked = links((f"seen-{name}", f"{seen[name]['title']}") for name in row["observations"])
            yield row["clause"] + status, row["gist"], result(row["result"]), checked, row["maker"] or ""

    def probe_rows(observations: list[Json]) -> "Rows":
        for each in observations:
            title = markup('<span id="seen-{}">{}</span>').format(each["id"], each["title"])
            yield title, result(each["answer"]), each["words"], links([(each["where"], _NAMES[each["where"]])])

    return {
        "memory_rows": memory_rows,
        "check_tables": check_tables,
        "component_rows": _component_rows,
        "image_rows": lambda components: _image_rows(components, mono),
        "anchor_rows": lambda keys: _anchor_rows(keys, mono),
        "key_rows": lambda leaks: [(k["slot"], k["what"], k["offset"], "yes" if k["allowed"] else "no") for k in leaks],
        "change_rows": lambda changes: [(c["what"], c["old"] or "not there", c["new"] or "not there") for c in changes],
        "slot_rows": _slot_rows,
        "lane_rows": lambda rows: [
            (r["name"], r["memory"] or "", r["erases"], r["programs"], r["steps"]) for r in rows
        ],
        "event_rows": lambda events: [(event["at"], event["what"]) for event in events],
        "wear_rows": _wear_rows,
        "rule_rows": lambda rules: list(rules.items()),
        "refusal_rows": lambda changes: [(c["what"], code_or_words(c["first_finding"])) for c in changes],
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


def _component_rows(components: list[Json]) -> "Rows":
    for each in components:
        counter = str(each["counter"])
        if each["counter_before"] is not None and each["counter_before"] != each["counter"]:
            counter += f", was {each['counter_before']}"
        steps = "" if each["steps_left"] is None else f"{each['steps_left']} of {each['counter_steps']}"
        back = "recovery image" if each["recovery"] else "yes" if each["way_back"] else "none"
        version = each["version"] if each["in_package"] else f"{each['version']}, not in this package"
        hazard = f" Caution: {each['hazard']}" if each["hazard"] else ""
        about = f"{each['name']} ({each['number']}, {each['kind']}){hazard}"
        yield about, version, counter, steps, f"at {each['judged']}", back, ", ".join(each["needs"]) or "nothing"


def _image_rows(components: list[Json], mono: "Callable[[object], Cell]") -> "Rows":
    for each in components:
        for image in each["images"]:
            yield (
                image["slot"], f"{image['payload']} bytes", size_words(image["room"]), _when(each["built"]),
                mono(each["revision"] or "none"), mono(image["sha256"]),
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
        if slot["unchanged"]:
            yield slot["slot"], slot["component"], "the same bytes", "0", "0"
            continue
        words = [f"{c['what']} {c['old'] or 'not there'} to {c['new'] or 'not there'}" for c in slot["changes"]]
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
