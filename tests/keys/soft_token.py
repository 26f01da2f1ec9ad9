"""SoftHSM tokens for tests: made with softhsm2-util and OpenSC's pkcs11-tool, in a folder of their own."""

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

PIN, SO_PIN = "493-Quill-7150", "88-moor-2231-so"
MODULES = ("/usr/lib/softhsm/libsofthsm2.so", "/usr/lib/x86_64-linux-gnu/softhsm/libsofthsm2.so")
FAULTY = Path(__file__).with_name("faulty_token.c")


class SoftToken:
    """A folder with tokens, the module that reaches them, and OpenSC's tool."""

    def __init__(self, folder: Path, tool: Callable[[str], str]) -> None:
        self.folder = folder
        self.util = tool("softhsm2-util")
        self.opensc = tool("pkcs11-tool")
        self.module = next((name for name in MODULES if Path(name).exists()), None) or tool(MODULES[0])

    def use(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Point this process and its children at the folder."""
        conf = self.folder / "softhsm2.conf"
        (self.folder / "tokens").mkdir(parents=True, exist_ok=True)
        conf.write_text(
            f"directories.tokendir = {self.folder / 'tokens'}\nobjectstore.backend = file\nlog.level = ERROR\n"
        )
        monkeypatch.setenv("SOFTHSM2_CONF", str(conf))
        monkeypatch.setenv("IMGSEAL_PKCS11_MODULE", self.module)
        for name in ("IMGSEAL_PIN", "FAULTY_TOKEN", "FAULTY_LOG"):
            monkeypatch.delenv(name, raising=False)

    def copy(self, folder: Path) -> "SoftToken":
        """Return the same tokens in another folder, so that a test may spoil them."""
        shutil.copytree(self.folder / "tokens", folder / "tokens")
        other = object.__new__(SoftToken)
        other.folder, other.util, other.opensc, other.module = folder, self.util, self.opensc, self.module
        return other

    def token(self, label: str) -> None:
        """Make a token."""
        said = [self.util, "--init-token", "--free", "--label", label, "--pin", PIN, "--so-pin", SO_PIN]
        subprocess.run(said, check=True, capture_output=True)

    def tool(self, *arguments: str, token: str = "release", status: int = 0) -> str:
        """Run pkcs11-tool, logged in to a token."""
        command = [self.opensc, "--module", self.module, "--token-label", token, "--login", "--pin", PIN, *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == status, done.stdout + done.stderr
        return done.stdout

    def key(self, label: str, identifier: str, *more: str, kind: str = "EC:prime256v1", token: str = "release") -> None:
        """Make a key pair with OpenSC's tool."""
        self.tool("--keypairgen", "--key-type", kind, "--label", label, "--id", identifier, *more, token=token)

    def script(self, code: str, token: str = "release") -> str:
        """Run Python with a logged-in session `s` of the PKCS#11 library, in a process of its own."""
        head = (
            "import sys, pkcs11\nfrom pkcs11 import *\n"
            f"s = pkcs11.lib({self.module!r}).get_token(token_label={token!r}).open(rw=True, user_pin={PIN!r})\n"
        )
        done = subprocess.run([sys.executable, "-c", head + code], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout


def faulty_module(folder: Path, tool: Callable[[str], str]) -> Path:
    """Compile the module that fails on request."""
    module = folder / "faulty_token.so"
    subprocess.run([tool("cc"), "-shared", "-fPIC", "-o", str(module), str(FAULTY), "-ldl"], check=True)
    return module


@pytest.fixture(scope="session")
def made_tokens(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> SoftToken:
    """A token `release` with two signing keys and some that do not fit, and a token `desk` with one key."""
    made = SoftToken(tmp_path_factory.mktemp("tokens"), tool)
    with pytest.MonkeyPatch.context() as patch:
        made.use(patch)
        made.token("release")
        made.token("desk")
        made.key("images", "01", "--usage-sign")
        made.key("packages", "02", "--usage-sign")
        made.key("twice", "03", "--usage-sign")
        made.key("twice", "04", "--usage-sign")
        made.key("other curve", "05", "--usage-sign", kind="EC:secp384r1")
        made.key("rsa", "06", "--usage-sign", kind="rsa:2048")
        made.key("derive only", "07", "--usage-derive")
        made.script('s.get_key(ObjectClass.PRIVATE_KEY, label="derive only")[Attribute.SIGN] = False')
        made.key("asks each time", "08", "--usage-sign", "--always-auth")
        made.key("images", "01", "--usage-sign", token="desk")
    return made


@pytest.fixture
def token(made_tokens: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SoftToken:
    """The tokens, in a folder of the test's own."""
    copy = made_tokens.copy(tmp_path / "softhsm")
    copy.use(monkeypatch)
    return copy


@pytest.fixture(scope="session")
def made_faulty(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return faulty_module(tmp_path_factory.mktemp("faulty"), tool)


@pytest.fixture
def faulty(
    made_faulty: Path, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[str], Path]:
    """Return a function that makes the tokens fail in one way; it returns the log of logins."""
    log = tmp_path / "logins"
    monkeypatch.setenv("FAULTY_REAL", token.module)
    monkeypatch.setenv("FAULTY_LOG", str(log))
    monkeypatch.setenv("FAULTY_PIN", PIN)
    monkeypatch.setenv("IMGSEAL_PKCS11_MODULE", str(made_faulty))

    def fail(how: str) -> Path:
        log.write_text("")
        monkeypatch.setenv("FAULTY_TOKEN", how)
        return log

    return fail
