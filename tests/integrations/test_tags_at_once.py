"""Three tags, released in clean clones by the scripts of the CI examples: in a row, at once, and with killed jobs.

No group keeps the jobs apart. Whatever happens: each release has a number of its own and one line of the log, the log
holds and goes on from its pin, nothing is published that is not logged, and a device takes all releases in order.
"""

import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from subprocess import CompletedProcess

import pytest
from build_machine import Machine, hub, logged, publish, tag
from build_machine import commit as commit_all
from ci_steps import release_job
from long_runs import mainly
from new_project import Project, make_project

from imgseal.formats.suit.envelope import decode_envelope

TAGS = ("v1.0.0", "v1.0.1", "v1.0.2")


@pytest.fixture
def tagged(tool: Callable[[str], str], tmp_path: Path) -> Project:
    for name in ("arm-none-eabi-gcc", "make", "git"):
        tool(name)
    project = make_project(tmp_path)
    publish(project, None)
    for number, name in enumerate(TAGS[1:], 1):
        project.edit("app.c", f"step = {number}", f"step = {number + 1}")
        commit_all(project, f"step {number + 1}")
        tag(project, name)
    return project


class Run:
    """A job of a tag in a clean clone, and what it came to."""

    def __init__(self, project: Project, tag: str, service: str = "github", name: str = "", **more: str) -> None:
        self.project = project
        self.machine = Machine(project, project.folder.parent / f"{tag}{name}", tag)
        self.script, environment = release_job(service, project, self.machine)
        self.environment = {**environment, "RELEASE_PAUSE": "0.2", "RELEASE_TRIES": "2000", **more}
        self.machine.environment["PATH"] = f"{self.machine.environment['PATH']}:{project.environment['PATH']}"

    def __call__(self) -> CompletedProcess[str]:
        return self.machine.run(self.script, **self.environment)

    def with_git(self, push: str) -> None:
        """Do this in place of a push; `$git "$@"` is the push itself."""
        folder = self.machine.clone.parent / "git"
        folder.mkdir()
        is_push = 'case " $* " in *" push "*) ;; *) exec "$git" "$@" ;; esac'
        (folder / "git").write_text(f"#!/bin/sh\ngit={shutil.which('git')}\n{is_push}\n{push}\n")
        (folder / "git").chmod(0o755)
        self.machine.environment["PATH"] = f"{folder}:{self.machine.environment['PATH']}"

    @property
    def published(self) -> Path | None:
        """The package that lies where it is published from."""
        found = list((self.machine.clone / "release").glob("*.suit"))
        return found[0] if found else None


def hold(project: Project, runs: list[Run]) -> None:
    """Every run has published what the log says of its tag, and a device takes the packages in order."""
    entries = logged(project)
    assert [entry["sequence"] for entry in entries] == [1, 2, 3]
    assert [f"v{entry['version']}" for entry in entries] == list(TAGS)
    by_tag = {f"v{entry['version']}": entry for entry in entries}
    packages: dict[str, Path] = {}
    for run in runs:
        assert run.published is not None
        digest = decode_envelope(run.published.read_bytes()).digest.value.hex()
        assert digest == by_tag[run.machine.tag]["packages"][0]["manifest"], run.machine.tag
        packages[run.machine.tag] = run.published
        beside = {path.name for path in run.published.parent.iterdir()}
        assert not beside & {"release.d", "release.flags"}, "what only the build system needs is not published"
    project.imgseal("device", "new", "unit-0.json")
    for number, entry in enumerate(entries):
        package = str(packages[f"v{entry['version']}"])
        project.imgseal("device", "apply", f"unit-{number}.json", package, "--out", f"unit-{number + 1}.json")
    assert "sequence 3\n" in project.imgseal("device", "show", f"unit-{len(entries)}.json")


@pytest.mark.seconds(900)
@pytest.mark.parametrize("service", mainly("gitlab", ("github", "gitlab")))
def test_in_a_row(tagged: Project, service: str) -> None:
    runs = [Run(tagged, name, service) for name in TAGS]
    for run in runs:
        said = run()
        assert said.returncode == 0, said.stdout + said.stderr
        assert "comes behind" not in said.stderr
    hold(tagged, runs)


@pytest.mark.seconds(900)
@pytest.mark.parametrize("service", mainly("github", ("github", "gitlab")))
def test_at_once(tagged: Project, service: str) -> None:
    """Lower versions come first; the higher ones wait for them."""
    runs = [Run(tagged, name, service) for name in TAGS]
    with ThreadPoolExecutor(3) as pool:
        for said in pool.map(lambda run: run(), reversed(runs)):
            assert said.returncode == 0, said.stdout + said.stderr
    hold(tagged, runs)


@pytest.mark.seconds(900)
def test_who_is_slower_gets_the_next_number(tagged: Project) -> None:
    """Another release is pushed between a job's build and its push, which is refused: it builds once more."""
    first, second, third = (Run(tagged, name) for name in TAGS)
    meanwhile = tagged.folder.parent / "meanwhile"
    second.environment["RELEASE_TRIES"] = "4"  # it waits twice for the tag before, in vain
    second.with_git(
        f'[ -e {meanwhile} ] || {{ : >{meanwhile}.begun; while [ ! -e {meanwhile} ]; do sleep 0.1; done; }}; "$git" "$@"'
    )
    with ThreadPoolExecutor(1) as pool:
        slower = pool.submit(second)
        while not Path(f"{meanwhile}.begun").exists():
            assert not slower.done(), slower.result()
        assert logged(tagged) == []
        assert first().returncode == 0
        meanwhile.touch()
        said = slower.result()
    assert said.returncode == 0, said.stdout + said.stderr
    assert "the log was not taken" in said.stderr
    assert "rejected" in said.stderr
    assert third().returncode == 0
    hold(tagged, [first, second, third])


@pytest.mark.seconds(900)
def test_killed_before_and_behind_the_push(tagged: Project) -> None:
    """Nothing of it is published; the next run makes the release that is logged, also when others have come since."""
    first, second, third = (Run(tagged, name) for name in TAGS)
    first.with_git("kill -9 $PPID")
    second.with_git('"$git" "$@"; kill -9 $PPID')
    assert first().returncode != 0
    assert (first.published, logged(tagged)) == (None, [])
    again = Run(tagged, TAGS[0], name="again")
    assert again().returncode == 0
    assert second().returncode != 0
    assert (second.published, len(logged(tagged))) == (None, 2)
    assert third().returncode == 0
    before = logged(tagged)
    once_more = Run(tagged, TAGS[1], name="again")
    said = once_more()
    assert said.returncode == 0, said.stdout + said.stderr
    assert "was released before" in said.stderr
    assert logged(tagged) == before
    hold(tagged, [again, once_more, third])


@pytest.mark.seconds(900)
def test_it_ends(tagged: Project) -> None:
    """A log that nobody may push to: so many tries, nothing published, and nothing with force."""
    run = Run(tagged, TAGS[0], RELEASE_TRIES="2")
    hook = hub(tagged) / "hooks" / "pre-receive"
    hook.write_text("#!/bin/sh\nexit 1\n")
    hook.chmod(0o755)
    said = run()
    assert (said.returncode, run.published) == (1, None)
    assert "in 2 tries" in said.stderr
    hook.unlink()
    assert logged(tagged) == []
    script = (run.machine.clone / "tools" / "release.sh").read_text()
    assert "--force" not in script
    assert "--fresh" not in script
    bad = run.machine.run("sh tools/release.sh \"v1.0.0'; touch oops; '\"", **run.environment)
    assert (bad.returncode, "is no tag" in bad.stderr, os.path.exists(run.machine.clone / "oops")) == (2, True, False)
