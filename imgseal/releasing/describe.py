"""Reads what `git describe --long --always --dirty` says: version and source revision of a build. No program is run."""

import re

from imgseal.console.options import ChosenProduct
from imgseal.errors import Place, UsageError
from imgseal.records import NamedTuple
from imgseal.versions import RELEASED, Version
from imgseal.workspace.numbering import Said

_TEXT = re.compile(r"(?:(?P<tag>.+?)(?:-(?P<count>[0-9]{1,6})-g(?P<hex>[0-9a-f]{4,64}))?|)(?P<dirty>-dirty|-broken)?")
_BARE = re.compile(r"[0-9a-f]{4,64}")
_VERSION = re.compile(r"(?:.*[^0-9.])?([0-9]+\.[0-9]+\.[0-9]+(?:-(?:alpha|beta|rc)(?:\.[0-9]+)?)?)")


class Description(NamedTuple):
    """What a text says: version of the newest tag, commits since, the revision's digits, whether files were changed."""

    version: Version | None
    commits: int
    revision: str
    dirty: bool

    @property
    def release_version(self) -> Version | None:
        """The version of a build of it: behind a release it is a development build, 1.4.0-alpha.3 for 3 commits."""
        version = self.version
        if version is None or not self.commits or version.stage != RELEASED:
            return version
        return Version.parse(f"{version}-alpha.{self.commits}")


def describe(text: str) -> Description:
    """Read a text; UsageError where it is none."""
    found = _TEXT.fullmatch(text)
    tag = None if found is None else found["tag"]
    if found is None or tag is None:
        raise _unreadable(text)
    dirty = found["dirty"] is not None
    if found["hex"] is None and _BARE.fullmatch(tag):
        return Description(None, 0, _even(tag), dirty)
    named = _VERSION.fullmatch(tag)
    try:
        version = Version.parse(named[1]) if named else None
    except ValueError:
        version = None
    if version is None:
        raise _unreadable(text)
    return Description(version, int(found["count"] or 0), _even(found["hex"] or ""), dirty)


def _even(digits: str) -> str:
    """Return whole bytes of an abbreviated revision: what is left is the beginning of it, too."""
    return digits[: len(digits) // 2 * 2]


def _unreadable(text: str) -> UsageError:
    return UsageError(
        "this is not what git describe says of a tagged tree",
        place=Place(key="--describe"),
        expected="a text such as v1.4.0-0-g8f14e45fceea167a, with a tag that ends in a version",
        found=text[:80],
        hint="docs/cli.md has the line that asks git for it; where there is no tag: --revision HEX, and the version of "
        "the product file",
    )


def described(
    text: str, chosen: ChosenProduct, revision: str | None, *, is_release: bool, said: Said
) -> tuple[ChosenProduct, str | None]:
    """Return the product file with the version that a text gives, and the revision.

    UsageError for a release of changed files that nobody gives a reason for, for one between two tags whose version is
    not stated, and for a text that contradicts --revision.
    """
    about = describe(text)
    stated = any(setting.startswith("release.version=") for setting in chosen.settings)
    if is_release and about.dirty and not said.unrecorded:
        raise UsageError(
            "files were changed that no source revision has",
            place=Place(key="--describe"),
            expected="a tree without changes",
            found=text[:80],
            hint="commit them; or say why, which is logged: --unrecorded WHY; where the release log and its pin alone "
            "have changed, git is asked without them: docs/cli.md has the lines",
        )
    if is_release and about.commits and not stated:
        raise UsageError(
            "this is no tagged revision, and a release needs a version of its own",
            place=Place(key="--describe"),
            expected="the text of a tag, such as v1.4.0-0-g8f14e45f",
            found=text[:80],
            hint="tag it; or state the version: --set release.version=VERSION",
        )
    if revision is not None and not revision.startswith(about.revision):
        raise UsageError(
            "--revision and --describe name two revisions",
            expected=f"a revision that begins with {about.revision}",
            found=revision,
            hint="leave --revision out",
        )
    version = about.release_version
    if version is not None and not stated:
        chosen = chosen._replace(settings=(*chosen.settings, f"release.version={version}"))
    return chosen, revision or about.revision or None
