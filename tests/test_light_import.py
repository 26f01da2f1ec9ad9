"""Start-up time is a feature: what each entry loads is fixed here, since each heavy import costs every build."""

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("cbor2", "cryptography", "elftools", "jinja2", "pkcs11", "imgseal.keys.token", "imgseal.product.token_uri", "intelhex", "json", "tomllib", "tempfile", "difflib", "dataclasses",
         "pathlib", "logging", "cryptography.hazmat.primitives.serialization", "cryptography.x509",
         "cryptography.hazmat.primitives.asymmetric.mldsa", "imgseal.keys.mldsa44")  # fmt: skip


def loaded(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(name for name in {HEAVY!r} if name in sys.modules))"
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(said.stdout.split())


def bare() -> set[str]:
    """What the interpreter loads here by itself: an editable install has a finder of its own."""
    return loaded("pass")


def baseline() -> set[str]:
    """What click alone loads."""
    return loaded("import click")


@pytest.mark.parametrize(
    ("code", "allowed"),
    [
        ("import imgseal", set()),
        ("import imgseal.formats.source, imgseal.formats.source.intel_hex, imgseal.formats.memory.builder", set()),
        ("import imgseal.product.read_toml, imgseal.device_state.device", set()),
        (
            "import imgseal.formats.sealed_image.codec, imgseal.formats.suit.manifest, imgseal.formats.cose.sign1, imgseal.formats.cbor.strict",
            set(),
        ),
        ("import imgseal.formats.log.lines, imgseal.formats.log.proof", set()),
        ("import imgseal.check.judge", {"cryptography"}),
    ],
)
def test_library_modules(code: str, allowed: set[str]) -> None:
    assert loaded(code) - bare() <= allowed


def test_help_loads_no_command() -> None:
    code = "from imgseal.cli.app import run\nimport io, contextlib\nwith contextlib.redirect_stdout(io.StringIO()): run(['--help'])"
    assert loaded(code) <= baseline()


def test_judging_a_sealed_image_loads_no_cbor_and_no_serialization() -> None:
    assert loaded("import imgseal.releasing.check_command") <= baseline() | {"cryptography"}


def test_the_release_log_is_verified_without_cryptography() -> None:
    assert loaded("import imgseal.log.command") <= baseline()


def test_the_python_api_loads_no_click(project: Path) -> None:
    """Also where it makes a release, judges it, adds it to the log and refuses it."""
    script = """
import sys, imgseal
made = imgseal.release({"radio": "radio.bin@0xC0400"}, development=True)
assert imgseal.judge(made.package, development=True).accepted
assert not imgseal.judge(made.package).accepted
imgseal.seal("motor", "motor-a.hex")
import imgseal.factory.prepare
print("click" in sys.modules)
"""
    said = subprocess.run([sys.executable, "-c", script], cwd=project, capture_output=True, text=True, check=True)
    assert said.stdout == "False\n"


@pytest.mark.parametrize("second", [False, True])
def test_ml_dsa_is_loaded_only_where_there_is_such_a_key(second: bool, tmp_path: Path) -> None:
    """A build and a judgement by the commands, with file keys."""
    from workshop import two_algorithms, write_project, write_quantum_keys

    from imgseal.demo.firmware import code
    from imgseal.product.starter import product_text

    write_project(tmp_path, two_algorithms(product_text()) if second else None)
    if second:
        write_quantum_keys(tmp_path)
    link = 0xC0C00 if second else 0xC0400
    (tmp_path / "radio.bin").write_bytes(code("radio", link=link, size=3001, vectors=48, stack=0x2002_0000))
    script = f"""
import contextlib, io, os
from imgseal.cli.app import run
os.chdir({str(tmp_path)!r})
with contextlib.redirect_stdout(io.StringIO()):
    assert run(["build", "radio=radio.bin@{link:#x}", "--release"]) == 0
    assert run(["check", "out/vent-drive-2.4.1-17.suit", "out/radio.sealed.bin"]) == 0
"""
    ours = {"cryptography.hazmat.primitives.asymmetric.mldsa", "imgseal.keys.mldsa44"}
    known = loaded(script)
    assert known & ours == (ours if second else set())
    assert not known & {"pkcs11", "imgseal.keys.token", "imgseal.product.token_uri"}  # there are no keys in tokens
