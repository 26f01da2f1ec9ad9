"""Start-up time is a feature: what each entry loads is fixed here, since each heavy import costs every build."""

import subprocess
import sys

import pytest

HEAVY = ("cbor2", "cryptography", "elftools", "intelhex", "json", "tomllib", "tempfile", "difflib", "dataclasses",
         "pathlib", "logging", "cryptography.hazmat.primitives.serialization", "cryptography.x509")  # fmt: skip


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
        ("import imgseal.source, imgseal.source.intel_hex, imgseal.memory.builder", set()),
        ("import imgseal.product.read_toml, imgseal.state.device", set()),
        ("import imgseal.sealed.codec, imgseal.suit.manifest, imgseal.cose.sign1, imgseal.cbor.strict", set()),
        ("import imgseal.check.judge", {"cryptography"}),
    ],
)
def test_library_modules(code: str, allowed: set[str]) -> None:
    assert loaded(code) - bare() <= allowed


def test_help_loads_no_command() -> None:
    code = "from imgseal.cli.app import run\nimport io, contextlib\nwith contextlib.redirect_stdout(io.StringIO()): run(['--help'])"
    assert loaded(code) <= baseline()


def test_judging_a_sealed_image_loads_no_cbor_and_no_serialization() -> None:
    assert loaded("import imgseal.cli.check") <= baseline() | {"cryptography"}
