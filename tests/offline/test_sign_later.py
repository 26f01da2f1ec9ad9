"""`build --sign-later`, `sign REQUEST`, `finish`: keys in another room, and nothing but what was asked for comes back."""

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from channel_product import make_channels
from test_second_signature import WITH_ADDRESSES, both  # noqa: F401 - a fixture
from workshop import ALL, Imgseal, private_key, public_key, tree, workshop

from imgseal.errors import UsageError
from imgseal.formats.sealed_image.codec import decode_header_block, encode_statement
from imgseal.keys.pem import encode_private, encode_public
from imgseal.offline.offline_signing import options_of
from imgseal.offline.request import Item, Request

NAME = "out/vent-drive-2.4.1-17"
IMAGES, PACKAGE = f"{NAME}-images", f"{NAME}-package"
SEALED = (
    "motor=out/motor-a.sealed.bin", "motor=out/motor-b.sealed.bin", "radio=out/radio.sealed.bin", "phrases=out/phrases.sealed.bin",
)  # fmt: skip


def away(project: Path, *roles: str) -> None:
    """Take private keys of these roles to another room; the product file names their public halves."""
    (project / "vault").mkdir(exist_ok=True)
    for role in roles:
        (project / "keys" / f"{role}.pem").rename(project / "vault" / f"{role}.pem")
        replaced(project, f'"keys/{role}.pem"', f'"keys/{role}.pub.pem"')


def replaced(project: Path, old: str, new: str) -> None:
    path = project / "imgseal.toml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


def outputs(project: Path) -> dict[str, bytes]:
    """What a release consists of, requests and responses aside."""
    return {p.name: p.read_bytes() for p in (project / "out").iterdir() if not p.name.endswith((".request.json", ".response.json"))}  # fmt: skip


def test_both_keys_elsewhere_make_the_same_release(imgseal: Imgseal, project: Path) -> None:
    """Two requests, two responses, and every byte as with the keys at hand: ESP256 of file keys is deterministic."""
    assert imgseal("build", *ALL, "--release", "--revision", "ab" * 20).status == 0
    direct = outputs(project)
    for path in (project / "out").iterdir():
        path.unlink()
    away(project, "images", "packages")
    said = imgseal("build", *ALL, "--release", "--sign-later", "--revision", "ab" * 20)
    assert (said.status, said.out) == (0, f"{IMAGES}.request.json\n"), said.err
    assert outputs(project) == {}
    assert imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes").status == 0
    said = imgseal("finish", f"{IMAGES}.request.json", *ALL, "--response", f"{IMAGES}.response.json")
    assert (said.status, said.out) == (0, f"{PACKAGE}.request.json\n"), said.err
    assert imgseal("sign", f"{PACKAGE}.request.json", "--key", "vault/packages.pem", "--yes").status == 0
    said = imgseal("finish", f"{PACKAGE}.request.json", *SEALED, "--response", f"{PACKAGE}.response.json")
    assert (said.status, said.out) == (0, f"{NAME}.suit\n"), said.err
    assert outputs(project) == direct


def test_one_key_elsewhere(imgseal: Imgseal, project: Path) -> None:
    """One request: the package is packed at once where its key is here, or asked for at once where the images' is."""
    imgseal("build", *ALL, "--release")
    direct = outputs(project)
    for path in (project / "out").iterdir():
        path.unlink()
    away(project, "images")
    assert imgseal("build", *ALL, "--release", "--sign-later").status == 0
    assert imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes").status == 0
    said = imgseal("finish", f"{IMAGES}.request.json", *ALL, "--response", f"{IMAGES}.response.json")
    assert said.status == 0, said.err
    assert outputs(project) == direct
    for path in (project / "out").iterdir():
        path.unlink()
    (project / "vault" / "images.pem").rename(project / "keys" / "images.pem")
    replaced(project, 'images = "keys/images.pub.pem"', 'images = "keys/images.pem"')
    away(project, "packages")
    assert imgseal("build", *ALL, "--release", "--sign-later").out == f"{PACKAGE}.request.json\n"
    assert set(outputs(project)) == {name for name in direct if name.endswith(".sealed.bin")}
    imgseal("sign", f"{PACKAGE}.request.json", "--key", "vault/packages.pem", "--yes")
    said = imgseal("finish", f"{PACKAGE}.request.json", *SEALED, "--response", f"{PACKAGE}.response.json")
    assert said.status == 0, said.err
    assert outputs(project) == direct


def test_two_algorithms_elsewhere(imgseal: Imgseal, both: Path) -> None:  # noqa: F811
    """Two holders, two responses to one request."""
    away(both, "images", "images-pq", "packages", "packages-pq")
    assert imgseal("build", *WITH_ADDRESSES, "--release", "--sign-later").status == 0
    for part, firmware in (("images", WITH_ADDRESSES), ("package", SEALED)):
        request = f"{NAME}-{part}.request.json"
        role = "images" if part == "images" else "packages"
        responses = []
        for end in ("", "-pq"):
            out = f"{part}{end}.response.json"
            said = imgseal("sign", request, "--key", f"vault/{role}{end}.pem", "--yes", "--out", out)
            assert said.status == 0, said.err
            responses += ["--response", out]
        half = imgseal("finish", request, *firmware, *responses[:2])
        assert half.status == 2
        assert "a signature is still missing" in half.err
        assert "ML-DSA-44" in half.err
        said = imgseal("finish", request, *firmware, *responses)
        assert said.status == 0, said.err
    assert imgseal("check", f"{NAME}.suit").status == 0
    again = imgseal("finish", request, *firmware, *responses, "--out", "again")  # from supplied signatures: the same
    assert again.status == 0, again.err
    made = Path("again") / f"{NAME.removeprefix('out/')}.suit"
    assert made.read_bytes() == Path(f"{NAME}.suit").read_bytes()


def asked(imgseal: Imgseal, project: Path) -> None:
    away(project, "images")
    assert imgseal("build", *ALL, "--release", "--sign-later").status == 0


def test_what_the_request_says(imgseal: Imgseal, project: Path) -> None:
    """For people and machines, every digest; no firmware unless it is asked for; openssl verifies what comes back."""
    asked(imgseal, project)
    request = json.loads((project / f"{IMAGES}.request.json").read_text())
    sealed = [item for item in request["items"] if item["what"] == "statement"]
    assert len(sealed) == 4
    assert "version 2.4.1, counter 6" in sealed[0]["says"][0]
    assert all("payload" not in item for item in sealed)
    shown = imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes").err
    for item in sealed:
        assert item["sha256"] in shown
        assert next(line for line in item["says"] if line.startswith("payload SHA-256")).split()[-1] in shown
    with_firmware = imgseal("build", *ALL, "--release", "--sign-later", "--with-firmware", "--out", "with")
    assert with_firmware.status == 0, with_firmware.err
    large = project / "with/vent-drive-2.4.1-17-images.request.json"
    assert large.stat().st_size > 10_000
    assert "its firmware is in the request" in imgseal("sign", str(large), "--key", "vault/images.pem", "--yes").err


def test_openssl_verifies_a_response(
    imgseal: Imgseal, project: Path, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    """The statement of the request, as bytes, against the value of the response, as OpenSSL reads ECDSA."""
    import base64

    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    openssl = tool("openssl")
    asked(imgseal, project)
    imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes")
    request = json.loads((project / f"{IMAGES}.request.json").read_text())
    response = json.loads((project / f"{IMAGES}.response.json").read_text())
    assert len(response["signatures"]) == len(request["items"])
    for item, signature in zip(request["items"], response["signatures"], strict=True):
        value = base64.b64decode(signature["value"])
        (tmp_path / "statement").write_bytes(base64.b64decode(item["statement"]))
        (tmp_path / "der").write_bytes(encode_dss_signature(int.from_bytes(value[:32]), int.from_bytes(value[32:])))
        command = [openssl, "dgst", "-sha256", "-verify", "keys/images.pub.pem", "-signature", "der", "statement"]
        assert (
            subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout == "Verified OK\n"
        )


def test_consent_is_asked_for(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked(imgseal, project)
    before = tree(project)
    said = imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem")
    assert (said.status, tree(project)) == (2, before)
    assert "--yes" in said.err
    monkeypatch.setattr("os.isatty", lambda _descriptor: True)
    for answer in (False, True):
        monkeypatch.setattr("click.confirm", lambda *_text, answer=answer, **_options: answer)
        said = imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem")
        assert said.status == (0 if answer else 2)
        assert (tree(project) == before) is not answer


def test_what_is_refused(imgseal: Imgseal, project: Path) -> None:
    asked(imgseal, project)
    request = f"{IMAGES}.request.json"
    before = tree(project)
    other = imgseal("sign", request, "--key", "keys/packages.pem", "--yes")
    assert (other.status, "does not ask for this key" in other.err) == (4, True)
    public = imgseal("sign", request, "--key", "keys/images.pub.pem", "--yes")
    assert (public.status, "no private key" in public.err) == (4, True)
    plain = imgseal("build", *ALL, "--release")
    assert (plain.status, "--sign-later" in plain.err) == (4, True)
    firmware = imgseal("build", *ALL, "--release", "--with-firmware")
    assert (firmware.status, "--sign-later" in firmware.err) == (2, True)
    sealed = imgseal("sign", "imgseal.toml", "--key", "vault/images.pem", "--yes")
    assert (sealed.status, "no signing request" in sealed.err) == (3, True)
    assert tree(project) == before


def test_every_key_is_here(imgseal: Imgseal, project: Path) -> None:
    before = tree(project)
    said = imgseal("build", *ALL, "--release", "--sign-later")
    assert (said.status, "every key is here" in said.err, tree(project)) == (2, True, before)


def test_a_request_has_passed_the_judge(imgseal: Imgseal, project: Path) -> None:
    """A bad vector table shows before anybody is asked to sign, not after a walk to the other room."""
    away(project, "images", "packages")
    raw = bytearray((project / "radio.bin").read_bytes())
    raw[4:8] = bytes(4)  # reset vector
    (project / "radio.bin").write_bytes(raw)
    before = tree(project)
    said = imgseal("build", *ALL, "--release", "--sign-later")
    assert (said.status, "content.reset-vector" in said.err, tree(project)) == (1, True, before)


def test_an_untrusted_key_is_not_asked(imgseal: Imgseal, project: Path) -> None:
    away(project, "images")
    imgseal("key", "new", "keys/other.pem", "--no-passphrase")
    replaced(project, 'images = "keys/images.pub.pem"', 'images = "keys/other.pub.pem"')
    before = tree(project)
    said = imgseal("build", *ALL, "--release", "--sign-later")
    assert (said.status, "would not count this key" in said.err, tree(project)) == (4, True, before)


def test_nothing_but_what_was_asked_for(imgseal: Imgseal, project: Path) -> None:
    """Other firmware, less firmware, a changed product file, another request's response, a damaged signature."""
    asked(imgseal, project)
    imgseal("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes")
    request, response = project / f"{IMAGES}.request.json", project / f"{IMAGES}.response.json"
    finish = ("finish", str(request), *ALL, "--response", str(response))

    def refused(status: int, words: str, *arguments: str) -> None:
        before = tree(project)
        said = imgseal(*(arguments or finish))
        assert (said.status, words in said.err) == (status, True), said.err
        assert tree(project) == before

    radio = (project / "radio.bin").read_bytes()
    (project / "radio.bin").write_bytes(radio[:-1] + b"\0")
    refused(4, "not what the key has signed")
    (project / "radio.bin").write_bytes(radio)
    refused(2, "asks for something that is not made now", "finish", str(request), *ALL[:3], "--response", str(response))
    replaced(project, "counter = 6", "counter = 7")
    refused(2, "other numbers than the product file has")
    replaced(project, "counter = 7", "counter = 6")
    good = response.read_text()
    document = json.loads(good)
    document["signatures"][0]["value"] = document["signatures"][1]["value"]
    response.write_text(json.dumps(document, indent=1) + "\n")
    refused(4, "does not verify")
    document = json.loads(good)
    document["signatures"][0]["sha256"] = "00" * 32
    response.write_text(json.dumps(document, indent=1) + "\n")
    refused(3, "does not ask for")
    response.write_text(good.replace("\n", " \n", 1))
    refused(3, "not as imgseal writes it")
    response.write_text(good)
    imgseal("build", *ALL, "--release", "--sign-later", "--out", "next", "--revision", "ab")
    other = "next/vent-drive-2.4.1-17-images.request.json"
    refused(3, "the response to another request", "finish", other, *ALL, "--response", str(response))
    away(project, "packages")
    replaced(project, 'images = "keys/images.pub.pem"', 'images = "keys/packages.pub.pem"')
    refused(4, "a key that the product file does not name here")


def test_a_package_is_finished_with_its_images(imgseal: Imgseal, project: Path) -> None:
    away(project, "packages")
    imgseal("build", *ALL, "--release", "--sign-later")
    imgseal("sign", f"{PACKAGE}.request.json", "--key", "vault/packages.pem", "--yes")
    finish = ("finish", f"{PACKAGE}.request.json")
    response = ("--response", f"{PACKAGE}.response.json")
    before = tree(project)
    said = imgseal(*finish, *ALL, *response)
    assert (said.status, "finished with its sealed images" in said.err, tree(project)) == (2, True, before)
    said = imgseal(*finish, *SEALED[:3], ALL[3], *response)
    assert (said.status, "finished with its sealed images" in said.err, tree(project)) == (2, True, before)
    said = imgseal(*finish, *SEALED[:3], *response)
    assert (said.status, "not what the key has signed" in said.err, tree(project)) == (4, True, before)
    assert imgseal(*finish, *SEALED, *response).status == 0


def test_development_may_be_signed_later_too(imgseal: Imgseal, project: Path) -> None:
    (project / "vault").mkdir()
    (project / "keys-dev" / "packages.pem").rename(project / "vault" / "packages.pem")
    replaced(project, '"keys-dev/packages.pem"', '"keys-dev/packages.pub.pem"')
    request = f"{NAME}-development-package.request.json"
    assert imgseal("build", *ALL, "--sign-later").out == f"{request}\n"
    assert imgseal("sign", request, "--key", "vault/packages.pem", "--yes").status == 0
    said = imgseal("finish", request, *SEALED, "--response", f"{NAME}-development-package.response.json")
    assert said.out == f"{NAME}-development.suit\n", said.err
    assert imgseal("check", f"{NAME}-development.suit", "--development").status == 0


def test_numbers_are_looked_at_before_anybody_signs(imgseal: Imgseal, project: Path) -> None:
    """What `finish` would refuse for the previous package or the log is refused before the walk to the other room."""
    replaced(project, "[signing.development]", '[log]\npath = "release.log"\n\n[signing.development]')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    away(project, "images", "packages")
    number = ("--set", "release.version=2.4.2", "--revision", "abcd")
    before = tree(project)
    for arguments, words in (
        (("--set", "release.sequence=16"), "sequence goes down"),
        (("--set", "release.sequence=18", "--set", "component.motor.counter=5"), "counter goes down"),
        (("--previous", "out/vent-drive-2.4.1-17.suit"), "sequence does not rise"),
    ):
        said = imgseal("build", *ALL, "--release", "--sign-later", "--out", "later", *number, *arguments)
        assert (said.status, words in said.err, tree(project)) == (2, True, before), said.err
    more = (*number, "--set", "release.sequence=18")
    said = imgseal("build", *ALL, "--release", "--sign-later", "--out", "later", *more)
    assert (said.status, "reserved as entry 1 of release.log" in said.err) == (0, True), said.err


def test_two_holders_do_not_overwrite_each_other(imgseal: Imgseal, project: Path) -> None:
    asked(imgseal, project)
    sign = ("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes")
    assert imgseal(*sign).status == 0
    before = tree(project)
    said = imgseal(*sign)
    assert (said.status, "never overwritten" in said.err, tree(project)) == (2, True, before)


def test_a_key_is_never_overwritten(imgseal: Imgseal, project: Path) -> None:
    asked(imgseal, project)
    before = tree(project)
    for arguments in (
        ("sign", f"{IMAGES}.request.json", "--key", "vault/images.pem", "--yes", "--out", "vault/images.pem"),
        ("build", *ALL, "--depfile", "keys-dev/images.pem"),
        ("seal", "motor-a.hex", "--component", "motor", "--out", "keys-dev/images.pem"),
    ):
        said = imgseal(*arguments)
        assert (said.status, "overwrite" in said.err, tree(project)) == (2, True, before), said.err


@pytest.mark.parametrize("limit", ['components = ["motor", "phrases"]', 'classes = ["another-class"]'])
def test_nothing_is_asked_of_a_key_that_devices_do_not_count_for_it(
    imgseal: Imgseal, project: Path, limit: str
) -> None:
    """The key that stands in for it while the judge looks has its limits: else the answer comes after the signing."""
    away(project, "images")
    replaced(project, 'keys = ["keys/images.pub.pem"]', f'keys = [{{ key = "keys/images.pub.pem", {limit} }}]')
    before = tree(project)
    said = imgseal("build", *ALL, "--release", "--sign-later")
    assert (said.status, "trust.key-not-for-this" in said.err) == (1, True), said.err
    assert tree(project) == before
    if limit.startswith("components"):
        few = [argument for argument in ALL if not argument.startswith("radio=")]
        assert imgseal("build", *few, "--release", "--sign-later").status == 0


def test_one_of_two_algorithms_elsewhere(imgseal: Imgseal, both: Path) -> None:  # noqa: F811
    """What is here signs at `finish`, beside the signature that was supplied."""
    away(both, "images-pq", "packages-pq")
    assert imgseal("build", *WITH_ADDRESSES, "--release", "--sign-later").status == 0
    for part, firmware in (("images", WITH_ADDRESSES), ("package", SEALED)):
        request = f"{NAME}-{part}.request.json"
        role = "images" if part == "images" else "packages"
        said = imgseal("sign", request, "--key", f"vault/{role}-pq.pem", "--yes", "--out", f"{part}.response.json")
        assert said.status == 0, said.err
        said = imgseal("finish", request, *firmware, "--response", f"{part}.response.json")
        assert said.status == 0, said.err
    said = imgseal("check", f"{NAME}.suit")
    assert said.status == 0, said.err
    assert "keys/packages.pub.pem, keys/packages-pq.pub.pem" in said.out


@pytest.fixture
def two_of_three(project: Path) -> Path:
    """Three holders in three rooms, any two of whom sign a package."""
    for name in ("second", "third"):
        (project / f"keys/{name}.pem").write_bytes(encode_private(private_key(name), None))
        (project / f"keys/{name}.pem").chmod(0o600)
        (project / f"keys/{name}.pub.pem").write_bytes(encode_public(public_key(name)))
    replaced(
        project,
        'packages = "keys/packages.pem"',
        'packages = ["keys/packages.pem", "keys/second.pem", "keys/third.pem"]',
    )
    replaced(
        project,
        'keys = ["keys/packages.pub.pem"]',
        'keys = ["keys/packages.pub.pem", "keys/second.pub.pem", "keys/third.pub.pem"]\nneed = 2',
    )
    away(project, "packages", "second", "third")
    path = project / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    return project


@pytest.mark.parametrize(
    "signed", [("packages", "third"), ("second", "third"), ("packages", "second", "third"), ("third",)]
)
def test_as_many_responses_as_are_needed(imgseal: Imgseal, two_of_three: Path, signed: tuple[str, ...]) -> None:
    assert imgseal("log", "new").status == 0
    said = imgseal("build", *ALL, "--release", "--sign-later", "--revision", "abcd")
    assert said.status == 0, said.err
    responses = []
    for name in signed:
        responses += ["--response", f"{name}.json"]
        sign = ("sign", f"{PACKAGE}.request.json", "--key", f"vault/{name}.pem", "--yes", "--out", f"{name}.json")
        assert imgseal(*sign).status == 0
    said = imgseal("finish", f"{PACKAGE}.request.json", *SEALED, *responses)
    if len(signed) < 2:
        assert (said.status, "a signature is still missing" in said.err) == (2, True), said.err
        assert "expected: 1 more of " in said.err
        assert not (two_of_three / f"{NAME}.suit").exists()
        return
    assert said.status == 0, said.err
    assert ("whose holder has sent no response" in said.err) == (len(signed) < 3)
    assert imgseal("check", f"{NAME}.suit").status == 0
    document = json.loads((two_of_three / "out/release.json").read_text())
    assert document["signers"]["packages"] == sorted(
        public_key(f"keys/{n}" if n == "packages" else n).key_id.hex() for n in signed
    )
    for name in ("packages", "second", "third"):
        key = public_key(f"keys/{name}" if name == "packages" else name).key_id.hex()
        assert (NAME.rpartition("/")[2].split("-")[-2] in imgseal("log", "show", "--key", key).out) == (name in signed)


@pytest.mark.parametrize("what", ["images", "package"])
def test_set_forgotten(imgseal: Imgseal, project: Path, what: str) -> None:
    """The message names each number that differs, and says how to finish."""
    away(project, "images" if what == "images" else "packages")
    numbers = ("--set", "component.motor.counter=7") if what == "images" else ("--set", "release.sequence=18")
    name, files = (IMAGES, ALL) if what == "images" else (PACKAGE.replace("-17", "-18"), SEALED)
    assert imgseal("build", *ALL, "--release", "--sign-later", *numbers).status == 0
    key = "images" if what == "images" else "packages"
    assert imgseal("sign", f"{name}.request.json", "--key", f"vault/{key}.pem", "--yes").status == 0
    finish = ("finish", f"{name}.request.json", *files, "--response", f"{name}.response.json")
    said = imgseal(*finish)
    assert (said.status, "other numbers than the product file has" in said.err) == (2, True), said.err
    assert f"expected: {numbers[1].replace('=', ' ')}\n" in said.err
    assert f"hint: finish as it was built: {' '.join(numbers)}\n" in said.err
    assert imgseal(*finish, *numbers).status == 0


NUMBERS = ("release.version=2.5.0", "release.sequence=20", "component.motor.counter=8", "component.radio.version=1.4.0")


@pytest.mark.parametrize("forgotten", NUMBERS)
def test_set_forgotten_with_a_log(imgseal: Imgseal, project: Path, forgotten: str) -> None:
    """Where the log has reserved the number, both requests say what was forgotten, and how to finish."""
    with open(project / "imgseal.toml", "a") as file:
        file.write('\n[log]\npath = "release.log"\n')
    away(project, "images", "packages")
    assert imgseal("log", "new").status == 0
    every = [word for number in NUMBERS for word in ("--set", number)]
    less = [word for number in NUMBERS if number != forgotten for word in ("--set", number)]
    said = imgseal("build", *ALL, "--release", "--revision", "abcd", "--sign-later", *every)
    assert (said.status, f"finish it with {' '.join(every)}\n" in said.err) == (0, True), said.err
    for what, key, files in (("images", "images", ALL), ("package", "packages", SEALED)):
        request = f"out/vent-drive-2.5.0-20-{what}.request.json"
        assert imgseal("sign", request, "--key", f"vault/{key}.pem", "--yes").status == 0
        finish = ("finish", request, *files, "--response", request.replace("request", "response"))
        before = tree(project)
        said = imgseal(*finish, *less)
        if what == "package" and forgotten.startswith("component"):  # the sealed images say it
            assert said.status == 0, said.err
            continue
        assert (said.status, tree(project) == before, "--again" in said.err) == (2, True, False), said.err
        assert f"--set {forgotten}\n" in said.err
        said = imgseal(*finish, *every)
        assert said.status == 0, said.err


@pytest.mark.parametrize("what", ["images", "packages"])
def test_whose_devices_in_words(imgseal: Imgseal, project: Path, what: str) -> None:
    """Computed from the product file at hand, which is no part of the request; without one the identifiers alone show."""
    away(project, what)
    assert imgseal("build", *ALL, "--release", "--sign-later").status == 0
    name = IMAGES if what == "images" else PACKAGE
    sign = ("sign", f"{name}.request.json", "--key", f"vault/{what}.pem", "--yes", "--out")
    said = imgseal(*sign, "one.json")
    assert said.status == 0
    assert "for devices of quillmoor.example, class vent-drive-2: the identifiers are those of imgseal.toml" in said.err
    replaced(project, 'class = "vent-drive-2"', 'class = "vent-drive-3"')
    said = imgseal(*sign, "other.json")
    assert said.status == 0
    assert "NOT for devices of imgseal.toml (quillmoor.example, class vent-drive-3): it has class " in said.err
    (project / "imgseal.toml").rename(project / "aside.toml")
    said = imgseal(*sign, "none.json")
    assert (said.status, "for devices of" in said.err) == (0, False)
    (project / "vent").mkdir()
    text = (project / "aside.toml").read_text().replace('class = "vent-drive-3"', 'class = "vent-drive-2"')
    (project / "vent/imgseal.toml").write_text(text)
    (project / "imgseal.toml").write_text('format = 1\n[line]\nmembers = ["vent"]\n')
    said = imgseal(*sign, "line.json")
    assert said.status == 0, said
    assert "class vent-drive-2: the identifiers are those of vent/imgseal.toml" in said.err


def test_a_channel_forgotten(imgseal: Imgseal, project: Path) -> None:
    """What was asked for a channel is finished for it, and the build says how."""
    make_channels(project, log=False)
    away(project, "images", "beta")
    assert imgseal("build", *ALL, "--release", "--channel", "beta", "--sign-later").err.count("--channel beta\n") == 1
    said = imgseal("build", *ALL, "--release", "--channel", "beta", "--sign-later", "--set", "release.sequence=20")
    assert (said.status, "finish it with --set release.sequence=20 --channel beta\n" in said.err) == (0, True), said.err


def test_statements_of_two_builds_are_no_request() -> None:
    statement = decode_header_block(workshop().images["motor-a"]).statement

    def of(*times: int) -> Request:
        return Request("", tuple(Item(encode_statement(statement._replace(build_time=time)), ()) for time in times))

    assert options_of(of(7, 7), [], "r.json").build_time == 7
    with pytest.raises(UsageError, match="not the images of one build") as caught:
        options_of(of(7, 8), [], "r.json")
    assert (caught.value.place.file, caught.value.found) == ("r.json", "2 different")
