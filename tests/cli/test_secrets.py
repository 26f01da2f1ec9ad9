"""No private key, pass phrase or PIN shows: in what commands say, in what they leave behind, or in tracebacks with locals.

Known secrets go in; every byte that comes out is searched for them, in raw, hex, base64 and Python's own forms.
"""

import ast
import base64
import os
import re
import stat
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TextIO

import click
import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from pkcs11 import PKCS11Error
from soft_token import PIN, SO_PIN, SoftToken
from workshop import ALL, Imgseal, private_key, write_project

import imgseal.cli.app
import imgseal.workspace.files
from imgseal.cli.app import run
from imgseal.errors import ImgsealError, SigningKeyError
from imgseal.keys.hidden import Hidden, HiddenText
from imgseal.keys.known_secrets import signer_needles
from imgseal.keys.pem import encode_private, load_private
from imgseal.keys.signer import file_signer

ROOT = Path(__file__).parents[2]
PASSPHRASE = "correct-Horse-9-staple"
URI = "pkcs11:token=release;object=images"


def secret_forms() -> dict[str, list[bytes]]:
    """Each secret in the forms that it could be printed in."""
    forms: dict[str, list[bytes]] = {}
    for name in ("keys/images", "keys/packages"):
        key = private_key(name)
        scalar = key.private_numbers().private_value.to_bytes(32)
        body = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()).split(b"\n")[1:-2]
        number = str(int.from_bytes(scalar)).encode()
        forms[name] = [
            scalar,
            scalar.hex().encode(),
            base64.b64encode(scalar)[:40],
            number,
            repr(scalar)[2:30].encode(),
            *body[:1],
        ]
    forms["pass phrase"] = [PASSPHRASE.encode()]
    forms["PIN"] = [PIN.encode(), PIN.encode().hex().encode(), base64.b64encode(PIN.encode())[:16]]
    forms["SO PIN"] = [SO_PIN.encode()]
    return forms


FORMS = secret_forms()


def shown(data: bytes) -> list[str]:
    """The secrets that show in some bytes."""
    return [name for name, forms in FORMS.items() if any(form in data for form in forms)]


def test_the_search_itself_finds_each_form() -> None:
    for name, forms in FORMS.items():
        for form in forms:
            assert shown(b"x" + form + b"y") == [name]


@pytest.fixture
def workplace(project: Path, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project with encrypted key files whose temporary files go to a folder that is searched too."""
    write_project(project, passphrase=PASSPHRASE.encode())
    (project / "temporary").mkdir()
    for name in ("TMPDIR", "TMP", "TEMP"):
        monkeypatch.setenv(name, str(project / "temporary"))
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", PASSPHRASE)
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    return project


def files(folder: Path) -> Iterator[Path]:
    """Every file but what tokens themselves keep."""
    for path in folder.rglob("*"):
        if path.is_file() and "softhsm" not in path.parts:
            yield path


def token_images(folder: Path) -> None:
    text = (folder / "imgseal.toml").read_text()
    (folder / "imgseal.toml").write_text(text.replace('images = "keys/images.pem"', f'images = "{URI}"'))


COMMANDS: list[tuple[tuple[str, ...], str]] = [
    (("build", *ALL, "--release"), ""),
    (("build", *ALL, "--release", "--out", "radio.bin"), ""),
    (("build", *ALL, "--release"), "wrong pass phrase"),
    (("build", *ALL, "--release"), "token"),
    (("build", *ALL, "--release"), "token, wrong PIN"),
    (("build", *ALL, "--release"), "token, flipped"),
    (("build", *ALL, "--release"), "token, gone"),
    (("build", *ALL, "--release"), "token, odd"),
    (("build", *ALL, "--release"), "damaged key"),
    (("build", *ALL, "--release"), "full disk"),
    (("build", *ALL, "--release"), "defect in the signer"),
    (("seal", "radio.bin@0xC0400", "--component", "radio", "--release"), "key in firmware"),
    (("key", "show", "keys/images.pem"), ""),
    (("key", "show", "keys/images.pem"), "wrong pass phrase"),
    (("key", "public", "keys/images.pem"), "damaged key"),
    (("key", "new", "new/images.pem"), ""),
    (("key", "new", "new/images.pem"), "full disk"),
    (("key", "new", "new/images.pem", "--no-passphrase"), "full disk"),
    (("key", "show", URI), ""),
    (("key", "show", URI), "wrong PIN"),
    (("key", "show", URI + "?pin-value=" + PIN), ""),
    (("key", "new", "pkcs11:token=desk;object=new", "--public", "new.pem"), ""),
    (("key", "new", "pkcs11:token=desk;object=new", "--public", "new.pem"), "full disk"),
    (("factory", "out/x.suit"), ""),
]


@pytest.mark.parametrize(("arguments", "trouble"), COMMANDS)
def test_nothing_shows(
    arguments: tuple[str, ...], trouble: str, imgseal: Imgseal, workplace: Path, faulty: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Standard output, standard error, and every file there is afterwards; new files of keys are for their owner alone."""
    before = {path: path.read_bytes() for path in files(workplace)}
    prepare(trouble, workplace, faulty, monkeypatch)
    spoiled = {path for path in files(workplace) if before.get(path) != path.read_bytes()}
    said = imgseal(*arguments)
    assert shown((said.out + said.err).encode()) == []
    for path in files(workplace):
        if path in spoiled:
            continue
        data = path.read_bytes()
        assert shown(data) == [], path
        if b"PRIVATE KEY-----" in data and path not in before:
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    assert list((workplace / "temporary").iterdir()) == []


def prepare(trouble: str, folder: Path, faulty: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Bring about what is to go wrong."""
    faulty(trouble.removeprefix("token, "))
    # A new key is one that the search knows. The library's function is looked up at each call; one of ours could be taken in,
    # and kept, by a module that is imported while it stands in for the real one.
    monkeypatch.setattr(ec, "generate_private_key", lambda _curve: private_key("keys/images"))
    if trouble.startswith("token"):
        token_images(folder)
    if trouble == "wrong pass phrase":
        monkeypatch.setenv("IMGSEAL_PASSPHRASE", PASSPHRASE[:-1])
    if trouble.endswith("wrong PIN"):
        monkeypatch.setenv("IMGSEAL_PIN", PIN + "0")
    if trouble == "damaged key":
        plain = bytearray(encode_private(private_key("keys/images"), None))
        plain[plain.index(b"MIGH") + 140] ^= 1
        (folder / "keys" / "images.pem").write_bytes(plain)
    if trouble == "full disk":

        def full(*_arguments: object) -> int:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os, "fsync", full)
    if trouble == "defect in the signer":

        def broken(*_arguments: object) -> bytes:
            raise ZeroDivisionError("a defect")

        monkeypatch.setattr("imgseal.keys.signer.sign", broken)
    if trouble == "key in firmware":
        data = (folder / "radio.bin").read_bytes()
        scalar = private_key("keys/images").private_numbers().private_value.to_bytes(32)
        (folder / "radio.bin").write_bytes(data[:500] + scalar + data[532:])


@pytest.mark.parametrize(("arguments", "trouble"), [case for case in COMMANDS if case[1] and "firmware" not in case[1]])
def test_tracebacks_with_locals_show_nothing(
    arguments: tuple[str, ...], trouble: str, workplace: Path, faulty: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """What a crash reporter would send: every frame with its local variables, and everything the error followed from."""
    prepare(trouble, workplace, faulty, monkeypatch)
    try:
        imgseal.cli.app.app.main(args=list(arguments), standalone_mode=False)
    except (Exception, click.Abort) as error:  # noqa: BLE001 - whatever it is, its traceback is looked at
        seen: BaseException | None = error
    else:
        pytest.skip("this case does not fail")
    assert seen is not None
    frames = list(frames_of(seen))
    assert len([path for path, _ in frames if path.startswith(str(ROOT / "imgseal"))]) >= 3
    for path, text in frames:
        assert shown(text.encode()) == [], path


def frames_of(error: BaseException) -> Iterator[tuple[str, str]]:
    """Every frame that an error and what it followed from passed: the file, and what `capture_locals` of traceback would show.

    This test's own frames are left out. Objects of a token that is closed have no representation any more.
    """
    seen: BaseException | None = error
    while seen is not None:
        yield "message", f"{seen!r} {seen} {getattr(seen, '__notes__', '')}"
        for frame, line in traceback.walk_tb(seen.__traceback__):
            if frame.f_code.co_filename == __file__:
                continue
            shown_locals = []
            for name, value in frame.f_locals.items():
                with suppress(PKCS11Error):
                    shown_locals.append(f"{name} = {value!r}")
            yield frame.f_code.co_filename, f"{frame.f_code.co_name}:{line}\n" + "\n".join(shown_locals)
        seen = seen.__cause__ or seen.__context__


def test_reading_a_key_shows_nothing_in_tracebacks() -> None:
    """Every way in which a key file can be wrong, plain and encrypted."""
    good = encode_private(private_key("keys/images"), None)
    locked = encode_private(private_key("keys/images"), Hidden(PASSPHRASE.encode()))

    def nobody() -> bytes:
        raise SigningKeyError("nobody to ask")

    wrong = bytearray(good)
    wrong[good.index(b"MIGH") + 140] ^= 1
    cases: list[tuple[bytes, Callable[[], bytes]]] = [
        (bytes(wrong), nobody),
        (good.replace(b"PRIVATE", b"PUBLIC"), nobody),
        (good[:-20], nobody),
        (b"junk" + good[30:], nobody),
        (locked, nobody),
        (locked, lambda: Hidden(PASSPHRASE[1:].encode())),
    ]
    for data, ask in cases:
        try:
            load_private(data, "k.pem", ask)
        except ImgsealError as error:
            texts = [text for path, text in frames_of(error) if path.startswith(str(ROOT / "imgseal"))]
            assert "data = <hidden>" in texts[0]
            assert shown("".join(texts).encode()) == []
        else:
            pytest.fail("a bad key was read")


def test_reprs_of_keys_and_secrets() -> None:
    signer = file_signer(private_key("keys/images"), "keys/images.pem")
    values = [signer, signer_needles((signer,)), Hidden(PASSPHRASE.encode()), HiddenText(PIN), Hidden(PIN.encode())[2:]]
    for value in values:
        assert shown(f"{value!r} {value} {value!s} {[value]}".encode()) == []
    assert f"{HiddenText(PIN):>30}".strip() == "<hidden>"
    assert HiddenText(PIN).encode() == PIN.encode()
    assert Hidden(b"ab")[0] == ord("a")


def test_a_run_with_a_defect_prints_no_traceback(
    workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], faulty: Callable[[str], Path]
) -> None:
    prepare("defect in the signer", workplace, faulty, monkeypatch)
    assert run(["build", *ALL, "--release"]) == 5
    assert "Traceback" not in capsys.readouterr().err


def test_what_is_asked_for_is_never_echoed(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new pass phrase is asked for twice, so that a slip does not lock the key away; questions go to standard error."""
    asked: list[tuple[str, dict[str, object]]] = []

    def prompt(text: str, **options: object) -> str:
        asked.append((text, options))
        return PASSPHRASE

    answers = ["", PASSPHRASE]  # an empty one is asked for again

    def hidden(text: str, *, stream: TextIO) -> str:
        asked.append((text, {"to": stream is sys.stderr}))
        return answers.pop(0)

    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("IMGSEAL_PASSPHRASE", raising=False)
    monkeypatch.setattr("click.prompt", prompt)
    monkeypatch.setattr("getpass.getpass", hidden)
    monkeypatch.setattr("os.isatty", lambda _descriptor: True)
    assert imgseal("key", "new", "a.pem").status == 0
    assert imgseal("key", "show", "a.pem").status == 0
    assert asked == [
        ("New pass phrase for a.pem", {"hide_input": True, "confirmation_prompt": True, "err": True}),
        *(2 * [("Pass phrase for a.pem: ", {"to": True})]),
    ]
    assert b"ENCRYPTED" in (tmp_path / "a.pem").read_bytes()


def test_no_other_program_is_started() -> None:
    """None that could learn the environment, where pass phrases and PINs may stand, or what is open."""
    for path in (ROOT / "imgseal").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                call = f"{node.value.id}.{node.attr}"
                assert not re.fullmatch(r"os\.(system|popen|startfile|exec.*|spawn.*|posix_spawn.*)", call), path
            if isinstance(node, ast.Import | ast.ImportFrom):
                named = [alias.name for alias in node.names] + [getattr(node, "module", None)]
                assert "subprocess" not in named, path


def test_only_who_can_type_is_asked(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard output that is a terminal helps nobody: the answer would be read from standard input."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", PASSPHRASE)
    assert imgseal("key", "new", "a.pem").status == 0
    monkeypatch.delenv("IMGSEAL_PASSPHRASE")
    for question in ("click.prompt", "getpass.getpass"):
        monkeypatch.setattr(question, lambda *_text, **_options: pytest.fail("asked"))
    monkeypatch.setattr("os.isatty", lambda descriptor: descriptor != 0)
    for command in (("key", "show", "a.pem"), ("key", "new", "b.pem")):
        said = imgseal(*command)
        assert said.status in {2, 4}, said.err
        assert "IMGSEAL_PASSPHRASE" in said.err
    assert not (tmp_path / "b.pem").exists()
