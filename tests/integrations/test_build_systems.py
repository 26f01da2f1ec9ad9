"""Each build system's example: builds, rests, follows product file, keys and sources, and fails when imgseal refuses.

The files are those of docs/integrations, unchanged; compilers and build systems are Debian's. Source: the manuals of the
build systems; that rests and runs are right is what they say themselves by calling imgseal or not.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from new_project import PAGES, Project, make_project, story

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
    new.copy("meson/meson.build", "meson/cortex-m4.ini")
    said = new.run(tool("meson"), "setup", "build", "--cross-file", "cortex-m4.ini")
    assert said.returncode == 0, said.stdout
    story(new, tool("ninja"), "-C", "build", out="build")


@pytest.mark.parametrize("generator", ["Unix Makefiles", "Ninja"])
def test_cmake(tool: Tool, new: Project, generator: str) -> None:
    """The post-build step seals app-a each time that the package is built, and rests when it does."""
    tool("ninja")
    new.copy("cmake/CMakeLists.txt", "cmake/imgseal.cmake", "cmake/cortex-m4.cmake")
    said = new.run(tool("cmake"), "-B", "build", "-G", generator, "-DCMAKE_TOOLCHAIN_FILE=cortex-m4.cmake")
    assert said.returncode == 0, said.stderr
    story(new, "cmake", "--build", "build", out="build/out", calls_a_build=2)


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
