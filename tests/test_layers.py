"""The house: a module imports only from a lower layer, features meet at their faces, each library has one user."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1] / "imgseal"

# room -> layer; the table of DEVELOPERS.md
GROUND, FORMATS, PRODUCT, KEYS, ACTS, FLOW, WORKSPACE, CONSOLE, FEATURES, TOP = range(10)
LAYERS = {
    **dict.fromkeys(("errors", "findings", "limits", "records", "times", "values", "versions", "window"), GROUND),
    "formats": FORMATS,
    "product": PRODUCT,
    "keys": KEYS,
    "device_state": KEYS,
    "make": ACTS,
    "check": ACTS,
    "flow": FLOW,
    "workspace": WORKSPACE,
    "console": CONSOLE,
    **dict.fromkeys(
        (
            "compare",
            "delivery",
            "delta",
            "device",
            "device_code",
            "factory",
            "gate",
            "key_files",
            "log",
            "offline",
            "paths",
            "rehearse",
            "releasing",
            "report",
            "trust",
        ),
        FEATURES,
    ),
    **dict.fromkeys(("demo", "cli", "api", "__main__", "__init__"), TOP),
}
# ground and formats may use one another in this direction only
WITHIN = {
    ("findings", "errors"),
    ("findings", "records"),
    ("errors", "records"),
    ("versions", "records"),
    ("window", "limits"),
    ("values", "errors"),
    ("values", "versions"),
    ("formats.sealed_image", "formats.fields"),
    ("formats.install_record", "formats.fields"),
    ("formats.trust_anchors", "formats.fields"),
    ("formats.source", "formats.memory"),
    ("formats.archives", "formats.source"),
    ("formats.cose", "formats.cbor"),
    ("formats.trust_anchors", "formats.cose"),
    ("formats.suit", "formats.cbor"),
    ("formats.suit", "formats.cose"),
    ("formats.suit", "formats.sbom"),
}
# features do not import each other, but for these modules of another one: their faces
FACES = {
    ("device", "rehearse.apply"),
    ("factory", "rehearse.stage"),
    ("paths", "rehearse"),
    ("releasing", "offline.offline_signing"),
    ("releasing", "offline.outputs"),
    ("report", "compare.difference"),
    ("report", "compare.text"),
    ("report", "paths"),
    ("report", "rehearse"),
}
LIBRARIES = {
    "cryptography": {"keys"},
    "pkcs11": {"keys"},
    "cbor2": set(),  # a reference of the tests
    "elftools": {"formats.source"},
    "intelhex": {"formats.memory", "api"},  # the API names its type only
    "jinja2": {"report"},
    "markupsafe": {"report"},
}
EDGE_ONLY = {"os", "sys", "time", "tempfile", "subprocess", "logging", "pathlib", "io", "socket", "random"}
# outside workspace, console and what stands above the features, only these touch the machine: the commands, and
EDGE = {
    "gate.discover",
    "gate.file",
    "gate.payload",
    "gate.policy",
    "gate.scan",
    "gate.workers",
    "log.export",
    "offline.outputs",
}

HARMLESS = {
    ("formats.source.columns", "sys"),  # the byte order of arrays
    ("formats.archives.unpack", "io"),  # BytesIO
    ("formats.memory.store", "io"),  # BytesIO
    ("make.delta.fields", "sys"),  # the byte order of arrays
}


@cache
def modules() -> dict[str, ast.Module]:
    """Every module below imgseal by its dotted name."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): ast.parse(path.read_text())
        for path in sorted(ROOT.rglob("*.py"))
    }


def room_of(module: str) -> str:
    return module.partition(".")[0]


def second(module: str) -> str:
    """A room within formats, else the room."""
    return ".".join(module.split(".")[:2]) if module.startswith("formats.") else room_of(module)


def is_edge(module: str) -> bool:
    room = room_of(module)
    return LAYERS[room] in (WORKSPACE, CONSOLE, TOP) or module in EDGE or module.endswith("command")


@cache
def imports() -> list[tuple[str, str]]:
    """Module and what it imports: ours without "imgseal.", others as they are called."""
    found = []
    for module, tree in modules().items():
        for node in ast.walk(tree):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{module}: relative import"
                names = [node.module or ""]
            found += [(module, name.removeprefix("imgseal.")) for name in names if name != "imgseal"]
    return found


def ours() -> list[tuple[str, str]]:
    return [(module, name) for module, name in imports() if room_of(name) in LAYERS and name in modules()]


def test_every_room_is_in_the_table() -> None:
    assert {room_of(module) for module in modules()} == set(LAYERS)


def test_imports_go_down() -> None:
    for module, name in ours():
        room, other = room_of(module), room_of(name)
        if second(module) == second(name):
            continue
        if LAYERS[room] == LAYERS[other] == FEATURES:
            assert (room, other) in FACES or (room, name) in FACES, f"{module} imports {name}, which is no face"
            continue
        allowed = LAYERS[other] < LAYERS[room] or LAYERS[room] == TOP or (second(module), second(name)) in WITHIN
        assert allowed, f"{module} (layer {LAYERS[room]}) imports {name} (layer {LAYERS[other]})"


def test_features_have_no_circle() -> None:
    below: dict[str, set[str]] = {}
    for room, face in FACES:
        below.setdefault(room, set()).add(room_of(face))
    for room, faces in below.items():
        assert not any(room in below.get(face, ()) for face in faces), room


def test_every_face_is_used() -> None:
    used = {(room_of(module), name) for module, name in ours()}
    assert {
        face
        for face in FACES
        if not any(room == face[0] and (name + ".").startswith(face[1] + ".") for room, name in used)
    } == set()


def test_the_judge_never_imports_the_maker() -> None:
    for module, name in ours():
        pair = {room_of(module), room_of(name)}
        assert pair != {"check", "make"}, f"{module} imports {name}"


def test_libraries_have_one_user_each() -> None:
    for module, name in imports():
        rooms = LIBRARIES.get(room_of(name))
        assert rooms is None or second(module) in rooms, f"{module} imports {name}"


def test_only_commands_know_click() -> None:
    for module, name in imports():
        if room_of(name) == "click":
            assert room_of(module) in ("cli", "console") or module.endswith("command"), module


def test_the_python_api_stands_on_the_workspace() -> None:
    """It calls no command, so that a build script in Python loads no click; of the features the factory image alone."""
    for module, name in ours():
        if module == "api":
            assert LAYERS[room_of(name)] <= WORKSPACE or name == "factory.prepare", name


def test_only_the_edge_touches_the_machine() -> None:
    for module, name in imports():
        if not is_edge(module) and room_of(name) in EDGE_ONLY:
            assert (module, name) in HARMLESS, f"{module} imports {name}"


def test_only_files_and_staging_open_anything() -> None:
    for module, tree in modules().items():
        if module in ("workspace.files", "workspace.staging"):
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "open", module
                assert node.func.id not in ("eval", "exec", "compile", "print"), module


def test_modules_stay_small() -> None:
    long = {path.name: n for path in ROOT.rglob("*.py") if (n := len(path.read_text().splitlines())) > 400}
    assert long == {}


def test_the_command_line_stays_thin() -> None:
    """What commands do stands with their features; here are the frame and the four small commands."""
    assert sum(len(path.read_text().splitlines()) for path in (ROOT / "cli").rglob("*.py")) < 1800
