"""Each build system's example: builds, rests, follows product file, keys and sources, and fails when imgseal refuses.

The files are those of docs/integrations, unchanged; compilers and build systems are Debian's. Source: the manuals of the
build systems; that rests and runs are right is what they say themselves by calling imgseal or not.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from new_project import PAGES, PASS_PHRASE, Project, make_project, story

Tool = Callable[[str], str]


@pytest.fixture
def new(tool: Tool, tmp_path: Path) -> Project:
    tool("arm-none-eabi-gcc")
    return make_project(tmp_path)


def test_make(tool: Tool, new: Project) -> None:
    new.copy("make/Makefile", "make/imgseal.mk")
    story(new, tool("make"))


def test_ninja(tool: Tool, new: Project) -> None:
    new.copy("ninja/build.ninja")
    story(new, tool("ninja"))


def test_shell(new: Project) -> None:
    new.copy("shell/build.sh")
    story(new, "./build.sh")


def test_meson(tool: Tool, new: Project) -> None:
    new.copy("meson/meson.build", "meson/meson_options.txt", "meson/cortex-m4.ini")
    said = new.run(tool("meson"), "setup", "build", "--cross-file", "cortex-m4.ini")
    assert said.returncode == 0, said.stdout
    story(new, tool("ninja"), "-C", "build", out="build")


@pytest.mark.parametrize("sealed", [True, False], ids=["sealed", "package-only"])
@pytest.mark.parametrize("generator", ["Unix Makefiles", "Ninja"])
def test_cmake(tool: Tool, new: Project, generator: str, *, sealed: bool) -> None:
    """The post-build step seals app-a each time that the package is built, and rests when it does.

    Without that step nothing is linked again for another key: the package has to follow keys by itself.
    """
    tool("ninja")
    new.copy("cmake/CMakeLists.txt", "cmake/imgseal.cmake", "cmake/cortex-m4.cmake")
    if not sealed:
        new.edit("CMakeLists.txt", "imgseal_seal(app-a COMPONENT app)", "")
    said = new.run(tool("cmake"), "-B", "build", "-G", generator, "-DCMAKE_TOOLCHAIN_FILE=cortex-m4.cmake")
    assert said.returncode == 0, said.stderr
    story(new, "cmake", "--build", "build", out="build/out", calls_a_build=2 if sealed else 1)


RELEASES = {
    "make": "make package IMGSEAL_OUT=release 'IMGSEAL_FLAGS=--release'",
    "ninja": "ninja release",
    "shell": "./build.sh release",
    "meson": "meson setup release --cross-file cortex-m4.ini -Drelease=true && ninja -C release",
    "cmake": "cmake -B build -G Ninja -DCMAKE_TOOLCHAIN_FILE=cortex-m4.cmake && cmake --build build",
}


@pytest.mark.parametrize("folder", RELEASES)
def test_release(tool: Tool, new: Project, folder: str) -> None:
    """The way to a release that page and files state: signed by keys with a pass phrase, and none without it."""
    for name in ("make", "ninja", "meson", "cmake"):
        tool(name)
    new.environment["IMGSEAL_PASSPHRASE"] = PASS_PHRASE
    new.imgseal("key", "new", "keys/images.pem")
    new.imgseal("key", "new", "keys/packages.pem")
    new.copy(*(f"{folder}/{path.name}" for path in (PAGES / folder).iterdir()))
    if folder == "cmake":
        new.edit("CMakeLists.txt", "COMPONENT app)", "COMPONENT app RELEASE)")
        new.edit("CMakeLists.txt", "app=app-b)", "app=app-b RELEASE OUT ../release)")
    said = new.run("sh", "-c", RELEASES[folder], IMGSEAL_PASSPHRASE="another")
    assert (said.returncode != 0, list(new.folder.glob("release/*.suit"))) == (True, [])
    said = new.run("sh", "-c", RELEASES[folder].replace("setup", "setup --wipe" if folder == "meson" else "setup"))
    assert said.returncode == 0, said.stdout + said.stderr
    assert new.judged("release", development=False) == "my-product-0.1.0-1.suit"


SECTIONS = {"make": "GNU Make", "ninja": "Ninja", "shell": "A shell script"}


@pytest.mark.parametrize("folder", SECTIONS)
def test_release_with_a_log(tool: Tool, new: Project, folder: str) -> None:
    """What each section says to add where a log is kept, in a repository with a commit."""
    for name in ("make", "ninja", "git"):
        tool(name)
    new.new_keys("keys/images", "keys/packages")
    new.copy(*(f"{folder}/{path.name}" for path in (PAGES / folder).iterdir()))
    (new.folder / "imgseal.toml").write_text(
        (new.folder / "imgseal.toml").read_text() + '\n[log]\npath = "release.log"\n'
    )
    new.imgseal("log", "new")
    person = ("-c", "user.name=A builder", "-c", "user.email=builder@quillmoor.example")
    for arguments in (("init", "--quiet"), ("add", "app.c"), (*person, "commit", "--quiet", "--message=Firmware")):
        said = new.run("git", *arguments)
        assert said.returncode == 0, said.stderr
    revision = new.run("git", "rev-parse", "HEAD").stdout.strip()
    assert new.run("sh", "-c", RELEASES[folder]).returncode != 0
    section = (PAGES.parent / "integrations.md").read_text().split(f"\n## {SECTIONS[folder]}\n")[1].split("\n## ")[0]
    *_, added = re.findall(r"```\w+\n(.+?)\n```", section, re.DOTALL)
    assert "--revision" in added
    if folder == "ninja":
        new.edit("build.ninja", "  flags = --release", added)
    elif folder == "shell":
        new.edit("build.sh", '    imgseal build app=app-a.elf app=app-b.elf --out "$folder" ${1:+--release}', added)
    said = new.run("sh", "-c", added if folder == "make" else RELEASES[folder])
    assert said.returncode == 0, said.stdout + said.stderr
    assert [path.name for path in new.folder.glob("release/*.suit")] == ["my-product-1.0.0-1.suit"]
    assert f"revision   {revision}" in new.imgseal("log", "show", "1.0.0")


def test_other_flags_make_another_package(tool: Tool, new: Project) -> None:
    """With Make, which compares times only: the flags stand in a file that is written when they change."""
    tool("make")
    new.copy("make/Makefile", "make/imgseal.mk")
    new.new_keys("keys/images", "keys/packages")

    def packages(flags: str) -> tuple[bool, list[str]]:
        said = new.run("make", "package", f"IMGSEAL_FLAGS={flags}")
        assert said.returncode == 0, said.stderr
        return "imgseal build" in said.stdout, sorted(path.name for path in new.folder.glob("out/*.suit"))

    desk, first, second = (f"my-product-{name}.suit" for name in ("0.1.0-1-development", "0.1.0-1", "1.0.1-1"))
    assert packages("") == (True, [desk])
    assert packages("") == (False, [desk])
    assert packages("--release") == (True, [desk, first] if desk < first else [first, desk])
    assert packages("--release --set release.version=1.0.1") == (True, sorted([desk, first, second]))
    assert packages("--release --set release.version=1.0.1")[0] is False


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("imgseal_seal(app-a)", "COMPONENT is missing"),
        ("imgseal_seal(app-a COMPONENT app RELAESE)", "imgseal_seal does not know: RELAESE"),
        ("imgseal_package(another)", "FIRMWARE is missing"),
        ("imgseal_package(another FIRMWARE app-a)", "app-a is not component=target"),
        ("imgseal_package(another FIRMWARE app=app-a PRODUCT nowhere.toml)", "imgseal init writes one"),
    ],
)
def test_mistakes_in_cmake_are_named(tool: Tool, new: Project, line: str, words: str) -> None:
    new.copy("cmake/CMakeLists.txt", "cmake/imgseal.cmake", "cmake/cortex-m4.cmake")
    with open(new.folder / "CMakeLists.txt", "a") as lists:
        lists.write(f"{line}\n")
    said = new.run(tool("cmake"), "-B", "build", "-G", "Ninja", "-DCMAKE_TOOLCHAIN_FILE=cortex-m4.cmake")
    assert said.returncode != 0
    assert words in " ".join(said.stderr.split())


def test_every_file_of_the_folder_is_copied_by_a_test_and_shown_in_the_page() -> None:
    """Nothing lies in docs/integrations that no test runs and no reader finds; what the page quotes is in the files."""
    files = {str(path.relative_to(PAGES)) for path in PAGES.rglob("*") if path.is_file()}
    tests = "\n".join(
        path.read_text() for path in Path(__file__).parent.glob("*.py") if path.name != Path(__file__).name
    )
    here = Path(__file__).read_text()
    page = (PAGES.parent / "integrations.md").read_text()
    for name in files:
        folder, base = name.split("/")
        assert name in tests + here or f'"{folder}" / "{base}"' in tests or (folder == "firmware" and base in tests), (
            name
        )
        assert f"](integrations/{name})" in page or folder == "firmware", name
    for language, quoted in re.findall(r"```(make|cmake|ninja)\n(.+?)```", page, re.DOTALL):
        kept = "\n".join((PAGES / name).read_text() for name in files if name.startswith(f"{language}/"))
        for line in quoted.rstrip().split("\n"):
            assert line in kept, line
