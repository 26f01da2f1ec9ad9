"""The house: a module imports only from a lower layer, only keys/ touches the crypto library, only cbor/ the CBOR library."""

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1] / "imgseal"

# room -> layer; the table of DEVELOPERS.md
LAYERS = {
    "errors": 0,
    "findings": 0,
    "limits": 0,
    "records": 0,
    "times": 0,
    "versions": 0,
    "anchors": 1,
    "memory": 1,
    "source": 1,
    "cbor": 1,
    "cose": 1,
    "suit": 1,
    "sealed": 1,
    "sbom": 1,
    "journal": 1,
    "ledger": 1,
    "product": 1,
    "state": 1,
    "keys": 2,
    "make": 3,
    "check": 3,
    "compare": 3,
    "request": 3,
    "device_code": 3,
    "rehearse": 4,
    "report": 5,
    "flow": 6,
    "files": 7,
    "staging": 7,
    "api": 7,
    "append": 7,
    "cli": 7,
    "demo": 7,
    "__main__": 7,
    "__init__": 7,
}
# ground and formats may use one another in this direction only
WITHIN_FORMATS = {
    ("findings", "errors"),
    ("findings", "records"),
    ("errors", "records"),
    ("versions", "records"),
    ("source", "memory"),
    ("cose", "cbor"),
    ("anchors", "cose"),
    ("suit", "cbor"),
    ("suit", "cose"),
    ("suit", "sbom"),
    ("state", "product"),
    ("state", "journal"),
    ("journal", "product"),
}
LIBRARIES = {
    "cryptography": {"keys"},
    "pkcs11": {"keys"},
    "cbor2": {"cbor"},
    "click": {"cli"},
    "elftools": {"source"},
    "intelhex": {"memory"},
    "jinja2": {"report"},
    "markupsafe": {"report"},
}
EDGE_ONLY = {"os", "sys", "time", "tempfile", "subprocess", "logging", "pathlib", "io", "socket", "random"}


def imports() -> list[tuple[Path, str, str]]:
    found = []
    for path in sorted(ROOT.rglob("*.py")):
        relative = path.relative_to(ROOT)
        room = relative.parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(path.read_text())):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path}: relative import"
                names = [node.module or ""]
            found += [(path, room, name) for name in names]
    return found


def test_every_room_is_in_the_table() -> None:
    rooms = {path.relative_to(ROOT).parts[0].removesuffix(".py") for path in ROOT.rglob("*.py")}
    assert rooms == set(LAYERS)


def test_imports_go_down() -> None:
    for path, room, name in imports():
        parts = name.split(".")
        if parts[0] != "imgseal" or len(parts) < 2 or parts[1] == room:
            continue
        other = parts[1]
        allowed = LAYERS[other] < LAYERS[room] or (room, other) in WITHIN_FORMATS or LAYERS[room] == LAYERS[other] == 7
        assert allowed, f"{path}: {room} (layer {LAYERS[room]}) imports {other} (layer {LAYERS[other]})"


def test_the_judge_never_imports_the_maker() -> None:
    for path, room, name in imports():
        if room == "check":
            assert not name.startswith("imgseal.make"), path
        if room == "make":
            assert not name.startswith("imgseal.check"), path
        if room == "compare":
            assert not name.startswith(("imgseal.check", "imgseal.make")), path


def test_libraries_have_one_user_each() -> None:
    for path, room, name in imports():
        rooms = LIBRARIES.get(name.split(".")[0])
        assert rooms is None or room in rooms, f"{path} imports {name}"


def test_only_the_edge_touches_the_machine() -> None:
    for path, room, name in imports():
        if LAYERS[room] < 7 and name.split(".")[0] in EDGE_ONLY:
            # array byte order is not the machine's doing but the algorithm's
            assert (name, path.name) == ("sys", "columns.py"), f"{path} imports {name}"


def test_only_files_and_the_terminal_open_anything() -> None:
    for path in ROOT.rglob("*.py"):
        if path.name in ("files.py", "staging.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "open", path
                assert node.func.id not in ("eval", "exec", "compile", "print"), path


def test_modules_stay_small() -> None:
    long = {path.name: n for path in ROOT.rglob("*.py") if (n := len(path.read_text().splitlines())) > 400}
    assert long == {}
