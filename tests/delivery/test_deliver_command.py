"""`imgseal deliver`: for a device, for every device of some releases, and what it refuses."""

import json
from hashlib import sha256
from pathlib import Path

import pytest
from long_runs import long
from workshop import ALL, Imgseal, public_file, repacked, tree, write_project

from imgseal.formats.suit.delivery import RELEASE_KEY, decode_delivery, encode_delivery, key_of
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.starter import product_text

ONE, TWO, THREE = "one/vent-drive-2.4.1-17.suit", "two/vent-drive-2.5.0-18.suit", "three/vent-drive-2.6.0-19.suit"


def released(imgseal: Imgseal, number: int, *more: str) -> None:
    out, version = (("one", "2.4.1"), ("two", "2.5.0"), ("three", "2.6.0"))[number - 17]
    numbers = ("--set", f"release.sequence={number}", "--set", f"release.version={version}")
    said = imgseal("build", *ALL, "--release", "--out", out, *numbers, *more)
    assert said.status == 0, said.err


def changed(project: Path, motor: int) -> None:
    """Another motor firmware for both slots: one byte of the text in it."""
    for name in ("motor-a.hex", "motor-b.hex"):
        lines = (project / name).read_text().splitlines()
        at = next(n for n, line in enumerate(lines) if line[7:9] == "00" and n > len(lines) // 2)
        data = bytearray.fromhex(lines[at][1:-2])
        data[-1] ^= motor
        lines[at] = ":" + data.hex().upper() + f"{-sum(data) & 0xFF:02X}"
        (project / name).write_text("\n".join(lines) + "\n")


@pytest.fixture
def field(imgseal: Imgseal, project: Path) -> Path:
    """Two releases, of which the second changes the motor, and devices that run the first and the second."""
    released(imgseal, 17)
    changed(project, 1)
    released(imgseal, 18, "--set", "component.motor.counter=7")
    assert imgseal("device", "new", "d0.json", "--hardware", "3").status == 0
    for before, package, after in (("d0", ONE, "d1"), ("d1", TWO, "d2")):
        said = imgseal("device", "apply", f"{before}.json", package, "--out", f"{after}.json")
        assert said.status == 0, said.err
    return project


def test_for_a_device(imgseal: Imgseal, field: Path) -> None:
    before = tree(field)
    said = imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit")
    assert said.status == 0, said.err
    assert said.out == "small.suit\n"
    assert "motor-b: patch, " in said.err
    assert {**before, "small.suit": (field / "small.suit").read_bytes()} == tree(field)
    whole, small = ((field / name).stat().st_size for name in (TWO, "small.suit"))
    assert small * 2 < whole
    assert f"{small} bytes in place of {whole}" in said.err
    judged = imgseal("check", "small.suit", "--device", "d1.json")
    assert judged.status == 0, judged.out
    assert "motor-b: patch" in judged.out
    fields = [line for line in judged.out.splitlines() if line[:2] == "  " and line[2] != " "]
    assert {line[11] for line in fields} == {" "}, judged.out  # no label runs into what it is of
    assert "delivery: " in imgseal("gate", "small.suit", "--device", "d1.json", "--every").out
    for package, after in (("small.suit", "d2s.json"), (TWO, "d2w.json")):
        assert imgseal("device", "apply", "d1.json", package, "--out", after).status == 0
    small_state, whole_state = (json.loads((field / name).read_text()) for name in ("d2s.json", "d2w.json"))
    for state in (small_state, whole_state):
        for content in state["slots"].values():
            content["file"] = content["file"].partition("/")[2]
    assert small_state == whole_state
    again = imgseal("deliver", TWO, "--for", "d1.json", "--out", "again.suit")
    assert again.status == 0
    assert (field / "again.suit").read_bytes() == (field / "small.suit").read_bytes()


@pytest.mark.parametrize(
    "cuts",
    [
        ("--pairs", "0"),
        ("--cuts", "0"),
        pytest.param(("--cuts", "1"), marks=long),
        pytest.param(("--cuts", "any"), marks=long),
    ],
)
def test_it_is_rehearsed(imgseal: Imgseal, field: Path, cuts: tuple[str, ...]) -> None:
    assert imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit").status == 0
    said = imgseal("rehearse", "small.suit", "--device", "d1.json", *cuts)
    assert said.status == 0, said.out + said.err
    assert ("closed: no sequence of power cuts" in said.out) == (cuts == ("--cuts", "any"))


@pytest.mark.parametrize("thin", [(), ("--thin",)])
def test_made_from_a_release_it_is_rehearsed_on_a_device_that_runs_it(
    imgseal: Imgseal, field: Path, thin: tuple[str, ...]
) -> None:
    assert imgseal("deliver", TWO, "--from", ONE, "--out", "small.suit", *thin).status == 0
    said = imgseal("rehearse", "small.suit", "--previous", ONE, "--pairs", "0")
    assert (said.status, "all 10 invariants hold" in said.out) == (0, True), said.out + said.err
    refused = imgseal("rehearse", "small.suit", "--pairs", "0")
    assert refused.status == 1, refused.out


def test_for_every_device_of_a_release(imgseal: Imgseal, field: Path) -> None:
    """From A and from B, whichever slot a device runs from; and another one is told so."""
    changed(field, 2)
    released(imgseal, 19, "--set", "component.motor.counter=7")
    said = imgseal("deliver", THREE, "--from", ONE, "--from", TWO)
    assert said.status == 0, said.err
    path = said.out.strip()
    mark = decode_envelope((field / path).read_bytes()).digest.value.hex()[:8]
    assert path == f"three/vent-drive-2.6.0-19.{mark}.delivery.suit"
    steps = [line for line in said.err.splitlines() if ": patch, " in line]
    assert len(steps) == 4, said.err
    for unit in ("d1.json", "d2.json"):
        assert imgseal("check", path, "--device", unit).status == 0
    unknown = imgseal("check", path)
    assert unknown.status == 1
    assert "is not at hand" in unknown.out
    other = imgseal("deliver", THREE, "--from", TWO)
    assert other.status == 0
    assert imgseal("deliver", THREE, "--from", ONE, "--from", TWO).out.strip() == path != other.out.strip()
    refused = imgseal("check", other.out.strip(), "--device", "d1.json")
    assert (refused.status, "digest.base" in refused.out) == (1, True)


def test_the_last_of_the_log(imgseal: Imgseal, project: Path) -> None:
    text = product_text().replace("[rules]", '[log]\npath = "release.log"\n\n[rules]', 1)
    write_project(project, text)
    assert imgseal("log", "new").status == 0
    for number in (17, 18, 19):
        changed(project, number)
        released(imgseal, number, "--unrecorded", "a test")
    for each in (ONE, TWO, THREE):
        (project / "kept").mkdir(exist_ok=True)
        (project / "kept" / Path(each).name).write_bytes((project / each).read_bytes())
    said = imgseal("deliver", THREE, "--from", "last 2", "--archive", "kept", "--out", "by-log.suit")
    assert said.status == 0, said.err
    assert imgseal("deliver", THREE, "--from", ONE, "--from", TWO, "--out", "by-name.suit").status == 0
    assert (project / "by-log.suit").read_bytes() == (project / "by-name.suit").read_bytes()
    # logged once as a delivery of that release: the second time it is the same one
    lines = (project / "release.log").read_text().splitlines()
    kinds = [json.loads(line)["entry"]["kind"] for line in lines]
    assert kinds == ["release", "release", "release", "delivery"]
    entry = json.loads(lines[-1])["entry"]
    three, made = (decode_envelope((project / each).read_bytes()) for each in (THREE, "by-log.suit"))
    assert (entry["entry"], entry["manifest"], entry["delivery"]) == (
        2, three.digest.value.hex(), made.digest.value.hex(),
    )  # fmt: skip
    assert len(entry["bases"]) == 4
    assert imgseal("log", "verify").status == 0
    assert "delivery of entry 2" in imgseal("log", "show").out
    assert "delivery" in imgseal("log", "show", "3").out
    by = imgseal("log", "show", "--key", entry["keys"][0]).out
    assert "signed the delivery" in by
    missing = imgseal("deliver", THREE, "--from", "last 2")
    assert (missing.status, "is not in the archive" in missing.err) == (2, True)
    withdrawn = imgseal("log", "withdraw", "3", "--why", "a test")
    assert (withdrawn.status, "this entry of the log is no release" in withdrawn.err) == (2, True), withdrawn.err
    # a package that the log does not have is told so, before anything is looked for in an archive
    (project / "release.log").write_text("\n".join(lines[:2]) + "\n")
    foreign = imgseal("deliver", THREE, "--from", "last 2")
    assert (foreign.status, "does not hold this package" in foreign.err) == (2, True), foreign.err


def test_thin(imgseal: Imgseal, field: Path) -> None:
    said = imgseal("deliver", TWO, "--for", "d1.json", "--thin")
    assert said.status == 0, said.err
    path = field / said.out.strip()
    assert path.name == f"vent-drive-2.5.0-18.{sha256(path.read_bytes()).hexdigest()[:8]}.thin.suit"
    whole, bare = (decode_envelope(each.read_bytes()) for each in (field / TWO, path))
    assert set(bare.payloads) == {"#motor-b"}
    assert (bare.blocks, bare.manifest, bare.severed) == (whole.blocks, whole.manifest, whole.severed)
    assert imgseal("check", str(path), "--device", "d1.json").status == 0
    assert imgseal("check", str(path)).status == 1


def test_a_key_for_deliveries(imgseal: Imgseal, project: Path) -> None:
    """Where the product file has one, it alone signs deliveries, and nothing else is signed by it."""
    text = product_text()
    text = text.replace("[trust.images]", '[trust]\ndeliveries = ["keys/deliveries.pub.pem"]\n\n[trust.images]', 1)
    write_project(project, text)
    (project / "keys" / "deliveries.pub.pem").write_bytes(public_file("keys/deliveries"))
    released(imgseal, 17)
    assert imgseal("device", "new", "d0.json", "--hardware", "3").status == 0
    refused = imgseal("deliver", ONE, "--for", "d0.json")
    assert refused.status == 4
    assert "signing.release.deliveries" in refused.err


def test_what_it_refuses(imgseal: Imgseal, field: Path) -> None:
    before = tree(field)
    for arguments, status, words in (
        ((TWO,), 2, "whom is this for?"),
        ((TWO, "--for", "d1.json", "--from", ONE), 2, "whom is this for?"),
        ((TWO, "--from", "last 2"), 2, "states no release log"),
        ((TWO, "--from", "last 0"), 2, "with N from 1 to 99"),
        ((TWO, "--from", "last"), 2, "with N from 1 to 99"),
        ((TWO, "--for", "d1.json", "--archive", "one"), 2, "nothing asks for them"),
        ((ONE, "--for", "d2.json"), 1, "rollback.sequence-too-low"),
        (("motor-a.hex", "--for", "d1.json"), 1, "structure.unrecognised"),
    ):
        said = imgseal("deliver", *arguments)
        assert (said.status, words in said.err) == (status, True), said.err
    assert tree(field) == before


def test_other_commands_know_it(imgseal: Imgseal, field: Path) -> None:
    assert imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit").status == 0
    shown = imgseal("show", "small.suit")
    assert shown.status == 0
    assert shown.out.startswith("delivery, ")
    assert "digest of the base = " in shown.out
    assert "the release inside" in shown.out
    assert json.loads(imgseal("show", "small.suit", "--json").out)["kind"] == "delivery"
    said = imgseal("report", "small.suit", "--device", "d1.json", "--format", "json", "--out", "r.json")
    assert said.status == 0, said.err
    assert json.loads((field / "r.json").read_text())["verdict"]["kind"] == "delivery"
    refused = imgseal("deliver", "small.suit", "--for", "d1.json")
    assert (refused.status, "a delivery has no images of its own" in refused.err) == (3, True)
    signed = imgseal("sign", "small.suit", "--key", "keys/packages.pem", "--out", "more.suit", "--yes")
    assert (signed.status, "a delivery has one signer" in signed.err) == (2, True)
    document = json.loads(imgseal("check", "small.suit", "--device", "d1.json", "--json").out)
    assert document["verdicts"][0]["kind"] == "delivery"


def test_it_is_judged_for_what_an_archive_has(imgseal: Imgseal, field: Path) -> None:
    """Every step has to be taken by a device that takes all of it, and a delivery of nothing by one that has all of it."""
    assert imgseal("deliver", TWO, "--from", ONE, "--out", "both.suit").status == 0
    assert imgseal("deliver", TWO, "--from", TWO, "--out", "nothing.suit").status == 0
    first = decode_delivery(decode_envelope((field / "both.suit").read_bytes()).manifest).steps[0].base
    assert first is not None
    for name, archive, status, words in (
        ("both.suit", "one", 0, "run one/vent-drive-2.4.1-17.suit from motor-a, one/"),
        ("both.suit", "two", 1, "is not at hand"),
        ("both.suit", "keys", 1, "is not at hand"),
        ("nothing.suit", "two", 0, "run two/vent-drive-2.5.0-18.suit from motor-a, two/"),
        ("nothing.suit", "one", 1, "the delivery brings nothing for motor"),
        ("nothing.suit", "keys", 1, "the delivery brings nothing for motor"),
    ):
        said = imgseal("check", name, "--archive", archive)
        assert (said.status, words in said.out) == (status, True), (name, archive, said.out)
        if (name, archive) == ("both.suit", "two"):
            assert f"SHA-256 {first.digest.hex()}" in " ".join(said.out.split())
        gate = imgseal("gate", name, "--archive", archive, "--fresh", "--jobs", "1")
        assert (gate.status, "gate.not-judged" in gate.out) == (status, bool(status)), gate.out
    # what is left of the package for some devices is not the package, though it has its manifest and comes first
    assert imgseal("deliver", ONE, "--from", ONE, "--thin").status == 0
    assert imgseal("check", "both.suit", "--archive", "one").status == 0
    # for the device that runs from one slot; the one that runs from the other has one of the bases, and no step for it
    radio = bytearray((field / "radio.bin").read_bytes())
    radio[-1] ^= 1
    (field / "radio.bin").write_bytes(radio)
    changed(field, 2)
    released(imgseal, 19, "--set", "component.motor.counter=7")
    assert imgseal("deliver", THREE, "--for", "d2.json", "--out", "one-slot.suit").status == 0
    said = imgseal("check", "one-slot.suit", "--archive", "two")
    assert (said.status, "from motor-b: one-slot.suit" in said.out) == (0, True), said.out
    # devices that run none of the bases are not those that it is for; one that runs some of them is refused as it would be
    assert imgseal("deliver", THREE, "--from", TWO, "--out", "later.suit").status == 0
    for name, archive, words, not_said in (
        ("both.suit", "three", "is not at hand", "rollback."),
        ("later.suit", "one", "digest.base (delivery): ", "is not at hand"),
    ):
        said = imgseal("check", name, "--archive", archive)
        assert (said.status, words in said.out, not_said in said.out) == (1, True, False), said.out
    # of several it is the one that has most of them
    later = (field / "later.suit").read_bytes()
    patches = {
        n: b"\x09" + bytes(payload[1:]) for n, payload in decode_envelope(later).payloads.items() if n != RELEASE_KEY
    }
    of = decode_delivery(decode_envelope(later).manifest)
    steps = (step._replace(digest=sha256(patches[key_of(n)]).digest()) for n, step in enumerate(of.steps))
    changed_steps = encode_delivery(of._replace(steps=tuple(steps)))
    spoilt = repacked(later, lambda _: changed_steps, payloads=lambda it: {**it, **patches})
    (field / "spoilt.suit").write_bytes(spoilt)
    for names in (("a.suit", "b.suit"), ("b.suit", "a.suit")):
        (field / "kept").mkdir(exist_ok=True)
        for package, name in zip((ONE, TWO), names, strict=True):
            (field / "kept" / name).write_bytes((field / package).read_bytes())
        said = imgseal("check", "spoilt.suit", "--archive", "kept")
        assert (said.status, f"refused, for kept/{names[1]} from motor-a: " in said.out) == (1, True), said.out
        assert ("structure.patch (delivery): " in said.out, "digest.base" in said.out) == (True, False)
    refused = imgseal("check", "both.suit", "--archive", "one", "--device", "d1.json")
    assert (refused.status, "leave --archive out" in refused.err) == (2, True)


def test_compare_says_what_travels(imgseal: Imgseal, field: Path) -> None:
    """Beside the package before, its own package, and another delivery: sizes and digests are those of the files."""
    assert imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit").status == 0
    assert imgseal("deliver", TWO, "--from", ONE, "--out", "both.suit").status == 0
    envelope = decode_envelope((field / "small.suit").read_bytes())
    patch = len(envelope.payloads["#00"])
    base = sha256((field / "one/motor-a.sealed.bin").read_bytes()).hexdigest()
    sent = {"form": "patch", "bytes": patch, "base": base}
    for old, new, travels, same in (
        (ONE, "small.suit", {"motor-b": [{**sent, "base_in": "motor-a"}]}, ["radio", "phrases"]),
        (TWO, "small.suit", {"motor-b": [{**sent, "base_in": None}]}, ["motor-a", "motor-b", "radio", "phrases"]),
        (
            "both.suit",
            "small.suit",
            {"motor-b": [{**sent, "base_in": None}]},
            ["motor-a", "motor-b", "radio", "phrases"],
        ),
    ):
        document = json.loads(imgseal("compare", old, new, "--json").out)
        slots = {slot["slot"]: slot for slot in document["slots"]}
        assert list(slots) == ["motor-a", "motor-b", "radio", "phrases"]
        assert {name: slot["travels"] for name, slot in slots.items() if slot["travels"]} == travels
        assert [name for name, slot in slots.items() if slot["unchanged"]] == same
        sizes = {
            "what": "travels",
            **{n: f"{(field / each).stat().st_size} bytes" for n, each in (("old", old), ("new", new))},
        }
        assert sizes in document["changes"]
        text = imgseal("compare", old, new).out
        assert text.count("  the same bytes\n") == len(same)
        assert f"  travels    patch, {patch} bytes, from " in text
    whole = json.loads(imgseal("compare", "small.suit", TWO, "--json").out)["slots"]
    for slot in whole:
        image = (field / f"two/{slot['slot']}.sealed.bin").read_bytes()
        assert slot["travels"] == [{"form": "plain", "bytes": len(image), "base": None, "base_in": None}]
    spoiled = (field / "small.suit").read_bytes()[:-1]
    (field / "short.suit").write_bytes(spoiled)
    assert imgseal("compare", ONE, "short.suit").status == 3


def test_with_a_log_the_release_is_what_counts(imgseal: Imgseal, project: Path) -> None:
    """`check` asks the log for the release that a delivery carries, and for no bill that it travels without."""
    write_project(project, product_text().replace("[rules]", '[log]\npath = "release.log"\n\n[rules]', 1))
    assert imgseal("log", "new").status == 0
    released(imgseal, 17, "--unrecorded", "a test")
    assert imgseal("device", "new", "d0.json", "--hardware", "3").status == 0
    assert imgseal("device", "apply", "d0.json", ONE, "--out", "d1.json").status == 0
    changed(project, 1)
    released(imgseal, 18, "--unrecorded", "a test")
    assert imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit").status == 0
    assert imgseal("check", "small.suit", "--device", "d1.json").status == 0
    assert imgseal("log", "withdraw", "2.5.0", "--why", "a test").status == 0
    refused = imgseal("check", "small.suit", "--device", "d1.json")
    assert (refused.status, "withdrawn" in refused.out) == (1, True), refused.out
    nobody = imgseal("deliver", TWO, "--for", "d1.json", "--out", "more.suit")
    assert (nobody.status, "this release is withdrawn" in nobody.err) == (2, True)
    assert not (project / "more.suit").exists()


def test_the_report_gives_the_answer_of_check(imgseal: Imgseal, field: Path) -> None:
    """By what an archive has, by the package before, and for one device; what is spoiled is refused for that."""
    assert imgseal("deliver", TWO, "--from", ONE, "--out", "both.suit").status == 0
    assert imgseal("deliver", TWO, "--for", "d1.json", "--out", "small.suit").status == 0
    release = decode_envelope((field / TWO).read_bytes()).digest.value.hex()
    for name, *options in (
        ("both.suit", "--archive", "one"),
        ("both.suit", "--archive", "two"),
        ("both.suit", "--previous", ONE),
        ("small.suit", "--device", "d1.json"),
        ("small.suit", "--archive", "one"),
        ("small.suit", "--previous", TWO),
        ("small.suit",),
    ):
        said = imgseal("report", name, *options, "--format", "json", "--out", "r.json")
        as_check = ("--archive", str(Path(options[1]).parent)) if "--previous" in options else options
        check = imgseal("check", name, *as_check)
        assert said.status == check.status, (name, options, said.err)
        document = json.loads((field / "r.json").read_text())
        package = document["package"]
        assert (package["manifest_digest"], package["sequence"]) == (release, 18)
        assert package["delivered"]["sent_by"] == "keys/packages.pub.pem"
        if said.status == 0:
            assert len(package["delivered"]["steps"]) == (2 if name == "both.suit" else 1)
            assert package["signed_by"] == ["keys/packages.pub.pem"]
            assert document["untried"] is None
            assert len(document["refusals"]) > 15
            assert [each for each in document["refusals"] if not each["fits"]] == []
            ranges = [part for memory in document["memories"] for part in memory["ranges"]]
            assert "motor-b" in [part["slot"] for part in ranges if part["brings"]]
        else:
            assert document["untried"] == "the package is refused as it is"


def test_what_is_only_sealed_again(imgseal: Imgseal, field: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The phrases have one slot and another header: they are sent, and how not to is said."""
    words = "phrases: only its header is another one"
    assert words not in imgseal("deliver", TWO, "--from", ONE, "--out", "small.suit").err
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1800000000")
    released(imgseal, 19, "--set", "component.motor.counter=7")
    said = imgseal("deliver", THREE, "--from", TWO, "--out", "large.suit")
    assert said.err.count(words) == 1, said.err
    assert "phrases: plain" in said.err
    assert f"radio: {words.partition(': ')[2]}" not in said.err  # made in its staging slot
    kept = (*ALL[:2], "phrases=two/phrases.sealed.bin", "radio=two/radio.sealed.bin")
    numbers = ("--set", "release.sequence=20", "--set", "release.version=2.7.0", "--set", "component.motor.counter=7")
    assert imgseal("build", *kept, "--release", "--out", "four", *numbers).status == 0
    said = imgseal("deliver", "four/vent-drive-2.7.0-20.suit", "--from", TWO, "--out", "less.suit")
    assert (said.status, "phrases" in said.err) == (0, False), said.err
