"""Keys in PKCS#11 tokens, with SoftHSM: OpenSC's keys are used, ours are seen by OpenSC, openssl verifies what they sign."""

import functools
import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cbor2
import pytest
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from soft_token import PIN, SoftToken
from workshop import ALL, Imgseal, public_key

import imgseal as public_api
from imgseal.keys.token import Desk

IMAGES = "pkcs11:token=release;object=images"
PACKAGES = "pkcs11:token=release;id=%02"


def openssl_verifies(folder: Path, public: Path, message: bytes, signature: bytes, tool: Callable[[str], str]) -> bool:
    r, s = int.from_bytes(signature[:32]), int.from_bytes(signature[32:])
    (folder / "message").write_bytes(message)
    (folder / "signature").write_bytes(encode_dss_signature(r, s))
    command = [tool("openssl"), "dgst", "-sha256", "-verify", str(public), "-signature", "signature", "message"]
    said = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    return said.stdout == "Verified OK\n"


def pem(token: SoftToken, identifier: str, folder: Path, tool: Callable[[str], str], label: str = "release") -> Path:
    """A public key of the token as PEM, by pkcs11-tool and openssl alone."""
    der = folder / f"public-{identifier}.der"
    token.tool("--read-object", "--type", "pubkey", "--id", identifier, "-o", str(der), token=label)
    out = der.with_suffix(".pem")
    subprocess.run([tool("openssl"), "pkey", "-pubin", "-inform", "DER", "-in", str(der), "-out", str(out)], check=True)
    return out


@pytest.fixture
def in_token(project: Path, token: SoftToken, monkeypatch: pytest.MonkeyPatch, tool: Callable[[str], str]) -> Path:
    """The demo's project with its release keys in the token that OpenSC made."""
    text = (project / "imgseal.toml").read_text()
    text = text.replace('images = "keys/images.pem"', f'images = "{IMAGES}"')
    text = text.replace('packages = "keys/packages.pem"', f'packages = "{PACKAGES}"')
    (project / "imgseal.toml").write_text(text)
    for role, identifier in (("images", "01"), ("packages", "02")):
        (project / "keys" / f"{role}.pem").unlink()
        pem(token, identifier, project, tool).rename(project / "keys" / f"{role}.pub.pem")
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    return project


def test_build_with_keys_that_opensc_made(imgseal: Imgseal, in_token: Path, tool: Callable[[str], str]) -> None:
    """Both layers verify under openssl, which has the public keys from OpenSC; offsets of docs/format/sealed-image.md."""
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err
    assert imgseal("check", "out/vent-drive-2.4.1-17.suit", "out/radio.sealed.bin").status == 0
    for name in ("motor-a", "motor-b", "radio", "phrases"):
        image = (in_token / "out" / f"{name}.sealed.bin").read_bytes()
        public = in_token / "keys" / "images.pub.pem"
        assert openssl_verifies(in_token, public, image[:384], image[384:448], tool)
        assert not openssl_verifies(in_token, public, image[:383] + b"\1", image[384:448], tool)
    envelope = cbor2.loads((in_token / "out" / "vent-drive-2.4.1-17.suit").read_bytes()).value
    digest, block = cbor2.loads(envelope[2])
    protected, _, _, signature = cbor2.loads(block).value
    signed = cbor2.dumps(["Signature1", protected, b"", digest])  # RFC 9052 section 4.4
    assert openssl_verifies(in_token, in_token / "keys" / "packages.pub.pem", signed, signature, tool)


def test_two_builds_agree_in_all_but_the_signatures(imgseal: Imgseal, in_token: Path) -> None:
    """The token draws its nonces; statements follow from the inputs alone, manifests from the sealed images alone."""
    names = ("motor-a", "motor-b", "radio", "phrases")
    assert imgseal("build", *ALL, "--release", "--out", "one").status == 0
    assert imgseal("build", *ALL, "--release", "--out", "two").status == 0
    for name in names:
        one, two = ((in_token / folder / f"{name}.sealed.bin").read_bytes() for folder in ("one", "two"))
        assert one[:384] + one[448:] == two[:384] + two[448:]
        assert one[384:448] != two[384:448]
    kept = [f"{name.partition('-')[0]}=one/{name}.sealed.bin" for name in names]
    assert imgseal("build", *kept, "--release", "--out", "three").status == 0
    file = "vent-drive-2.4.1-17.suit"
    one, two, three = (cbor2.loads((in_token / folder / file).read_bytes()).value for folder in ("one", "two", "three"))
    assert one[3] == three[3]  # the manifest; a digest over header blocks stands in it, signatures included
    assert one[2] != three[2]
    assert one[3] != two[3]


def test_the_python_api_signs_with_them_too(imgseal: Imgseal, in_token: Path) -> None:
    """No command runs there; what is opened for a call is closed with it, so that two calls in a row work."""
    closed: list[Desk] = []
    close = Desk.close

    def noted(desk: Desk) -> None:
        closed.append(desk)
        close(desk)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Desk, "close", noted)
        for number in (1, 2):
            made = public_api.release({"radio": "radio.bin@0xC0400"}, out=f"by-{number}")
            assert len(closed) == number
    assert imgseal("check", "by-1/vent-drive-2.4.1-17.suit").status == 0
    assert made.verdict.accepted


def test_seal_and_pack(imgseal: Imgseal, in_token: Path) -> None:
    assert imgseal("seal", "radio.bin@0xC0400", "--component", "radio", "--release").status == 0
    assert imgseal("pack", "radio.sealed.bin", "--release").status == 0
    assert imgseal("check", "vent-drive-2.4.1-17.suit", "radio.sealed.bin").status == 0


def test_show_and_public_agree_with_opensc(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The public half needs no PIN; key show does, and says how the token keeps the private one."""
    theirs = pem(token, "01", tmp_path, tool)
    shown = imgseal("key", "show", str(theirs)).out
    thumbprint = next(line for line in shown.splitlines() if line.startswith("thumbprint"))
    assert imgseal("key", "public", IMAGES).out.split() == theirs.read_text().split()
    assert imgseal("key", "public", IMAGES, "--out", str(tmp_path / "new.pem")).status == 0
    assert (tmp_path / "new.pem").read_text().split() == theirs.read_text().split()
    public = imgseal("key", "show", IMAGES + ";type=public")
    assert (public.status, thumbprint in public.out) == (0, True)
    refused = imgseal("key", "show", IMAGES)
    assert refused.status == 4
    assert "nobody to ask for the PIN" in refused.err
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    said = imgseal("key", "show", IMAGES + "?x-note=1")
    assert said.status == 0, said.err
    assert thumbprint in said.out
    assert "protection  not extractable, sensitive, made in the token" in said.out
    assert "x-note is not known" in said.err


def test_show_names_the_roles_of_a_token_key(imgseal: Imgseal, in_token: Path) -> None:
    said = imgseal("key", "show", IMAGES + ";type=private")
    assert "role        signs images (release)" in said.out
    assert "role        trusted for images (keys/images.pub.pem)" in said.out


def test_show_says_what_is_not_as_it_should_be(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A key that OpenSC brings in from a file, extractable; its public half is openssl's."""
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    key, private, public = (tmp_path / name for name in ("k.pem", "k.der", "k.pub.der"))
    run = functools.partial(subprocess.run, check=True, capture_output=True)
    run([tool("openssl"), "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", str(key)])
    run([tool("openssl"), "pkey", "-in", str(key), "-outform", "DER", "-out", str(private)])
    run([tool("openssl"), "pkey", "-in", str(key), "-pubout", "-outform", "DER", "-out", str(public)])
    for path, kind in ((private, "privkey"), (public, "pubkey")):
        token.tool("--write-object", str(path), "--type", kind, "--id", "0a", "--label", "old", "--extractable")
    said = imgseal("key", "show", "pkcs11:token=release;object=old")
    assert said.status == 0, said.err
    protection = next(line for line in said.out.splitlines() if line.startswith("protection"))
    assert "EXTRACTABLE: it can be copied out of the token" in protection
    assert "brought in from outside" in protection
    shown = imgseal("key", "show", str(key)).out
    assert next(line for line in shown.splitlines() if "thumbprint" in line) in said.out


def test_the_local_file_names_a_token(imgseal: Imgseal, in_token: Path, tool: Callable[[str], str]) -> None:
    """One desk's token in place of the product file's key."""
    text = (in_token / "imgseal.toml").read_text().replace(f'"{IMAGES}"', '"keys/images.pem"')
    (in_token / "imgseal.toml").write_text(text)
    assert imgseal("build", *ALL, "--release").status == 4
    (in_token / "imgseal.local.toml").write_text(f'[signing.release]\nimages = "{IMAGES}"\n')
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err


def test_every_variant_asks_once(imgseal: Imgseal, in_token: Path, faulty: Callable[[str], Path]) -> None:
    log = faulty("nothing")
    text = (in_token / "imgseal.toml").read_text()
    (in_token / "imgseal.toml").write_text(text + '\n[variant.north]\nclass = "north"\n[variant.south]\nhardware = 4\n')
    said = imgseal("build", *ALL, "--release", "--variant", "all")
    assert said.status == 0, said.err
    assert log.read_text() == "login\n"


def test_new_makes_a_key_that_opensc_lists(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not extractable, sensitive, made inside, for signing only: as pkcs11-tool sees it, and reading it fails."""
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    public = tmp_path / "made.pub.pem"
    said = imgseal("key", "new", "pkcs11:token=desk;object=made%20here;id=%AB%CD", "--public", str(public))
    assert said.status == 0, said.err
    uri = said.out.split()[0]
    assert uri.startswith("pkcs11:token=desk;serial=")
    assert uri.endswith(";object=made%20here;id=%AB%CD;type=private")
    listed = token.tool("--list-objects", "--type", "privkey", token="desk")
    part = listed[listed.index("made here") :]
    assert "ID:         abcd" in part
    assert "Usage:      sign\n" in part
    assert "Access:     sensitive, always sensitive, never extractable, local" in part
    assert "Usage:      verify\n" in token.tool("--list-objects", "--type", "pubkey", "--id", "abcd", token="desk")
    read = "try: s.get_key(ObjectClass.PRIVATE_KEY, label='made here')[Attribute.VALUE]\nexcept AttributeSensitive: print('kept')"
    assert token.script(read, token="desk") == "kept\n"
    assert pem(token, "abcd", tmp_path, tool, "desk").read_text().split() == public.read_text().split()
    thumbprint = said.out.split("thumbprint ")[1].strip()
    assert thumbprint in imgseal("key", "show", str(public)).out
    assert thumbprint in imgseal("key", "show", uri).out
    (tmp_path / "data").write_bytes(hashlib.sha256(b"signed by OpenSC with our key").digest())
    token.tool(
        "--sign", "--mechanism", "ECDSA", "--id", "abcd", "-i", str(tmp_path / "data"),
        "-o", str(tmp_path / "sig"), token="desk",
    )  # fmt: skip
    assert openssl_verifies(tmp_path, public, b"signed by OpenSC with our key", (tmp_path / "sig").read_bytes(), tool)


def test_new_draws_an_identifier_where_none_is_given(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    said = imgseal("key", "new", "pkcs11:token=desk;object=drawn", "--public", str(tmp_path / "p.pem"))
    assert said.status == 0, said.err
    assert len(said.out.split()[0].split("id=")[1].split(";")[0]) == 3 * 16


def objects(token: SoftToken) -> str:
    return token.tool("--list-objects", token="desk")


@pytest.mark.parametrize(
    ("uri", "options", "status", "words"),
    [
        ("pkcs11:token=desk;object=images", ("--public", "p.pem"), 4, "never overwritten"),
        ("pkcs11:token=desk;object=new;id=%01", ("--public", "p.pem"), 4, "never overwritten"),
        ("pkcs11:token=desk;object=new", (), 2, "--public FILE"),
        ("pkcs11:token=desk;object=new", ("--public", "there.pem"), 2, "exists already"),
        ("pkcs11:token=desk;object=new", ("--public", "no/folder/\0"), 5, ""),
        ("pkcs11:token=desk", ("--public", "p.pem"), 2, "object=NAME"),
        ("pkcs11:token=desk;object=new;type=public", ("--public", "p.pem"), 2, "type=private"),
        ("pkcs11:token=desk;object=new", ("--public", "p.pem", "--algorithm", "ML-DSA-44"), 2, "ML-DSA-44"),
        ("pkcs11:token=desk;object=new", ("--public", "p.pem", "--no-passphrase"), 2, "--no-passphrase"),
        ("keys.pem", ("--public", "p.pem"), 2, "--public is for keys in tokens"),
    ],
)
def test_new_refused_leaves_the_token_as_it_was(
    uri: str, options: tuple[str, ...], status: int, words: str,
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    (tmp_path / "there.pem").write_text("kept")
    before = objects(token)
    said = imgseal("key", "new", uri, *options)
    assert (said.status, words in said.err) == (status, True), said.err
    assert objects(token) == before
    assert not (tmp_path / "p.pem").exists()
    assert (tmp_path / "there.pem").read_text() == "kept"


@pytest.mark.parametrize("how", ["extractable", "flipped", "bad-point"])
def test_new_in_a_broken_token_removes_the_key_again(
    how: str, imgseal: Imgseal, faulty: Callable[[str], Path], token: SoftToken, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    before = objects(token)
    faulty(how)
    said = imgseal("key", "new", "pkcs11:token=desk;object=new", "--public", str(tmp_path / "p.pem"))
    assert said.status == 4, said.err
    assert objects(token) == before
    assert not (tmp_path / "p.pem").exists()


def test_new_that_cannot_write_removes_the_key_again(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    (tmp_path / "file").write_text("")
    before = objects(token)
    said = imgseal("key", "new", "pkcs11:token=desk;object=new", "--public", str(tmp_path / "file" / "p.pem"))
    assert (said.status, "cannot write" in said.err) == (3, True), said.err
    assert objects(token) == before


def test_new_never_replaces_what_appears_meanwhile(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the look at the file and the writing of it a key is made, which takes seconds in some tokens."""
    import imgseal.keys.token_key as real

    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    before, public, make_key = objects(token), tmp_path / "p.pem", real.make_key

    def slowly(*arguments: object) -> object:
        public.write_text("another's")
        return make_key(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(real, "make_key", slowly)
    said = imgseal("key", "new", "pkcs11:token=desk;object=new", "--public", str(public))
    assert (said.status, "exists already" in said.err) == (2, True), said.err
    assert objects(token) == before
    assert public.read_text() == "another's"


TROUBLES = [
    ("pkcs11:token=relase;object=images", "no token fits", "token=release serial="),
    ("pkcs11:object=images", "several tokens fit", "token=desk serial="),
    ("pkcs11:token=release;serial=00", "no token fits", "token=release serial="),
    ("pkcs11:token=release;model=1", "no token fits", "slot-id="),
    ("pkcs11:token=release;slot-id=4", "no token fits", "slot-id="),
    ("pkcs11:token=release;library-version=1.0", "no token fits", "slot-id="),
    ("pkcs11:token=release;library-description=x", "no token fits", "slot-id="),
    ("pkcs11:token=release;slot-manufacturer=x", "no token fits", "slot-id="),
    ("pkcs11:token=release;object=image", "no private key of this token fits", "object=images id=%01"),
    ("pkcs11:token=release;object=images;id=%02", "no private key of this token fits", "object=packages id=%02"),
    ("pkcs11:token=release;object=twice", "several private keys fit", "object=twice id=%04"),
    ("pkcs11:token=release;object=other%20curve", "not on P-256", "kind EC, curve 06052b81040022"),
    ("pkcs11:token=release;object=rsa", "not on P-256", "kind RSA"),
    ("pkcs11:token=release;object=derive%20only", "may not sign", "CKA_SIGN false"),
]


@pytest.mark.parametrize(("uri", "message", "found"), TROUBLES)
def test_what_does_not_fit_is_said(
    uri: str, message: str, found: str, imgseal: Imgseal, token: SoftToken, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    said = imgseal("key", "show", uri)
    assert said.status == 4
    assert message in said.err
    assert found in said.err
    assert "hint:" in said.err


@pytest.mark.parametrize(
    "uri",
    [
        "pkcs11:token=release;id=%01;type=private",
        "pkcs11:token=release;manufacturer=SoftHSM%20project;model=SoftHSM%20v2;object=images;library-manufacturer=SoftHSM",
        "pkcs11:token=release;object=asks%20each%20time",
    ],
)
def test_what_fits_is_found(
    uri: str, imgseal: Imgseal, token: SoftToken, in_token: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By every attribute; the key that asks for the PIN at each signature signs as well (CKA_ALWAYS_AUTHENTICATE)."""
    said = imgseal("key", "show", uri)
    assert said.status == 0, said.err
    text = (in_token / "imgseal.toml").read_text().replace(f'"{IMAGES}"', f'"{uri}"')
    (in_token / "imgseal.toml").write_text(text)
    (in_token / "keys" / "images.pub.pem").write_text(imgseal("key", "public", uri).out)
    said = imgseal("seal", "radio.bin@0xC0400", "--component", "radio", "--release")
    assert said.status == 0, said.err


def test_a_lone_token_needs_no_name(
    imgseal: Imgseal, tool: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The free slot that SoftHSM always shows is no token yet."""
    lone = SoftToken(tmp_path / "lone", tool)
    lone.use(monkeypatch)
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    none = imgseal("key", "show", "pkcs11:object=only")
    assert (none.status, "shows no token at all" in none.err) == (4, True), none.err
    lone.token("release")
    empty = imgseal("key", "show", "pkcs11:object=only")
    assert (empty.status, "a token without private keys" in empty.err) == (4, True), empty.err
    lone.key("only", "01", "--usage-sign")
    said = imgseal("key", "show", "pkcs11:")
    assert said.status == 0, said.err


def test_a_wrong_pin_is_tried_once(
    imgseal: Imgseal, in_token: Path, faulty: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    log = faulty("nothing")
    monkeypatch.setenv("IMGSEAL_PIN", "000000")
    said = imgseal("build", *ALL, "--release")
    assert said.status == 4
    assert "the token refuses the PIN" in said.err
    assert "lock after a few" in said.err
    assert "000000" not in said.err
    assert log.read_text() == "login\n"
    assert not (in_token / "out").exists()


def test_two_keys_of_one_token_ask_once(imgseal: Imgseal, in_token: Path, faulty: Callable[[str], Path]) -> None:
    log = faulty("nothing")
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err
    assert log.read_text() == "login\n"


FAULTS = [
    ("locks", "has locked its user PIN", "login\n"),
    ("locked", "has locked its user PIN", ""),
    ("last-try", "one more wrong PIN locks this token", ""),
    ("flipped", "a signature that does not verify", "login\n"),
    ("gone", "does not answer any more", "login\n"),
    ("not-permitted", "may not sign", "login\n"),
    ("no-mechanism", "does not do this with P-256", "login\n"),
    ("odd", "could not sign", "login\n"),
    ("bad-point", "no point on P-256", "login\n"),
]


@pytest.mark.parametrize(("how", "words", "logins"), FAULTS)
def test_a_token_that_fails(
    how: str, words: str, logins: str, imgseal: Imgseal, in_token: Path, faulty: Callable[[str], Path]
) -> None:
    """A module between SoftHSM and us answers what real tokens answer; nothing is written."""
    log = faulty(how)
    said = imgseal("build", *ALL, "--release")
    assert said.status == 4, said.err
    assert words in said.err
    assert "hint:" in said.err
    assert log.read_text() == logins
    assert not (in_token / "out").exists()


@pytest.mark.parametrize(("how", "logins"), [("bare-point", "login\n"), ("pad", "login at the pad\n")])
def test_tokens_that_differ_and_work(
    how: str, logins: str, imgseal: Imgseal, in_token: Path, faulty: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """A point without its octet string, and a PIN that is typed at the token."""
    log = faulty(how)
    if how == "pad":
        monkeypatch.delenv("IMGSEAL_PIN")
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err
    assert log.read_text() == logins
    assert ("at the token" in said.err) == (how == "pad")


def test_pin_from_a_descriptor_and_from_a_file(imgseal: Imgseal, token: SoftToken, tmp_path: Path) -> None:
    file = tmp_path / "pin"
    file.write_text(PIN + "\n")
    file.chmod(0o600)
    for name in (f"file:{file}", f"file://{file}"):
        assert imgseal("key", "show", f"{IMAGES}?pin-source={name}").status == 0
    reading, writing = os.pipe()
    os.write(writing, PIN.encode() + b"\nmore")
    os.close(writing)
    said = imgseal("key", "show", f"{IMAGES}?pin-source=fd:{reading}")
    os.close(reading)
    assert said.status == 0, said.err


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("fd:1", "fd:NUMBER"),
        ("fd:x", "fd:NUMBER"),
        ("fd:987", "Bad file descriptor"),
        ("file:pin", "file:/PATH"),
        ("%7Ccat%20pin", "not run"),
        ("/etc/pin", "file:/PATH"),
        ("file:{folder}/open", "mode 0644"),
        ("file:{folder}/none", "No such file"),
        ("file:{folder}/empty", "no usable PIN"),
        ("file:{folder}/long", "larger"),
    ],
)
def test_pin_sources_that_are_refused(
    source: str, words: str, imgseal: Imgseal, faulty: Callable[[str], Path], tmp_path: Path
) -> None:
    """None of them costs a try."""
    log = faulty("nothing")
    for name, text, mode in (("open", PIN, 0o644), ("empty", "\n", 0o600), ("long", "7" * 300, 0o600)):
        (tmp_path / name).write_text(text)
        (tmp_path / name).chmod(mode)
    said = imgseal("key", "show", f"{IMAGES}?pin-source={source.format(folder=tmp_path)}")
    assert said.status == 4
    assert words in said.err or words == "larger"
    assert log.read_text() == ""


def test_the_prompt_hides_the_pin(token: SoftToken, tool: Callable[[str], str]) -> None:
    """A terminal of its own: what is typed is not echoed."""
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.execv(sys.executable, [sys.executable, "-m", "imgseal", "key", "show", IMAGES])
    said = b""
    while b"PIN for token release: " not in said:
        said += os.read(terminal, 1000)
    os.write(terminal, PIN.encode() + b"\n")
    try:
        while piece := os.read(terminal, 1000):
            said += piece
    except OSError:
        pass  # the other side has closed: that is how terminals end
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert b"thumbprint" in said
    assert PIN.encode() not in said


@pytest.mark.parametrize(
    ("module", "words"),
    [
        (None, "IMGSEAL_PKCS11_MODULE"),
        ("", "IMGSEAL_PKCS11_MODULE"),
        ("libsofthsm2.so", "not absolute"),
        ("/nowhere/libtoken.so", "No such file"),
        ("{folder}/text.so", "does not load"),
        ("{libm}", "C_GetFunctionList"),
    ],
)
def test_modules_that_do_not_load(
    module: str | None, words: str, imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import math

    (tmp_path / "text.so").write_text("no library")
    if module is None:
        monkeypatch.delenv("IMGSEAL_PKCS11_MODULE")
    else:
        # any shared library that is no PKCS#11 module
        library = getattr(math, "__file__", None) or __import__("_hashlib").__file__
        monkeypatch.setenv("IMGSEAL_PKCS11_MODULE", module.format(folder=tmp_path, libm=library))
    said = imgseal("key", "show", IMAGES)
    assert said.status == 4
    assert words in said.err, said.err


def test_a_module_on_the_command_line(imgseal: Imgseal, token: SoftToken, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("IMGSEAL_PKCS11_MODULE")
    assert imgseal("key", "public", f"{IMAGES}?module-path={token.module}").status == 0


def test_a_module_that_its_configuration_stops(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOFTHSM2_CONF", str(tmp_path / "nothing.conf"))
    said = imgseal("key", "show", IMAGES)
    assert (said.status, "does not load" in said.err) == (4, True), said.err


def test_without_the_extra(token: SoftToken) -> None:
    """The same words as for any missing tool, in a process where the library cannot be imported."""
    code = "import sys\nsys.modules['pkcs11'] = None\nfrom imgseal.cli.app import run\nsys.exit(run(sys.argv[1:]))"
    said = subprocess.run(
        [sys.executable, "-c", code, "key", "show", IMAGES], capture_output=True, text=True, check=False
    )
    assert said.returncode == 4
    assert "imgseal[token]" in said.stderr


@pytest.mark.parametrize("command", ["show", "public", "new"])
def test_a_pin_in_the_uri_is_refused_and_not_repeated(command: str, imgseal: Imgseal, token: SoftToken) -> None:
    said = imgseal("key", command, f"{IMAGES}?pin-value={PIN}")
    assert said.status == 2
    assert "pin-value" in said.err
    assert PIN not in said.err + said.out


def test_a_certificate_in_place_of_the_public_key(
    imgseal: Imgseal, token: SoftToken, tmp_path: Path, tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some tokens keep certificates instead; here one whose key is another's, which the first signature finds out."""
    key = tmp_path / "k.pem"
    subprocess.run(
        [tool("openssl"), "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", str(key)], check=True
    )
    certificate = tmp_path / "c.der"
    subprocess.run(
        [tool("openssl"), "req", "-x509", "-new", "-key", str(key), "-subj", "/CN=vent-drive", "-outform", "DER",
         "-out", str(certificate)], check=True, capture_output=True,
    )  # fmt: skip
    token.tool("--delete-object", "--type", "pubkey", "--id", "01")
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    missing = imgseal("key", "show", IMAGES)
    assert (missing.status, "no public key stands beside this key" in missing.err) == (4, True)
    token.tool("--write-object", str(certificate), "--type", "cert", "--id", "01", "--label", "images")
    said = imgseal("key", "show", IMAGES)
    assert said.status == 0, said.err
    subprocess.run([tool("openssl"), "pkey", "-in", str(key), "-pubout", "-out", str(tmp_path / "k.pub")], check=True)
    theirs = imgseal("key", "show", str(tmp_path / "k.pub")).out
    assert next(line for line in theirs.splitlines() if "thumbprint" in line) in said.out


def test_a_public_key_that_is_not_the_private_ones(
    imgseal: Imgseal, in_token: Path, token: SoftToken, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    from imgseal.keys.pem import encode_public

    (tmp_path / "foreign.pem").write_bytes(encode_public(public_key("foreign")))
    subprocess.run(
        [tool("openssl"), "pkey", "-pubin", "-in", str(tmp_path / "foreign.pem"), "-outform", "DER", "-out",
         str(tmp_path / "foreign.der")], check=True,
    )  # fmt: skip
    token.tool("--delete-object", "--type", "pubkey", "--id", "01")
    token.tool("--write-object", str(tmp_path / "foreign.der"), "--type", "pubkey", "--id", "01", "--label", "images")
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "does not verify" in said.err) == (4, True), said.err
    assert not (in_token / "out").exists()


def test_release_json_does_not_name_token_or_module(imgseal: Imgseal, in_token: Path, token: SoftToken) -> None:
    """What is published says nothing of where the keys are."""
    imgseal("build", *ALL, "--release")
    text = json.dumps(json.loads((in_token / "out" / "release.json").read_text()))
    assert "pkcs11" not in text
    assert token.module not in text
