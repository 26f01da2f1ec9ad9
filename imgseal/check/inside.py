"""The sealed images that a package can bring to a device, each with the sets that it would run in."""

from collections.abc import Iterator, Mapping
from itertools import compress

from imgseal.check.image import ImageSubject
from imgseal.check.package_subject import PackageSubject
from imgseal.errors import Place
from imgseal.findings import FAILED, CheckResult, Finding
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.formats.suit.component import OurComponent
from imgseal.limits import DETACHED_PAIRS
from imgseal.records import NamedTuple
from imgseal.versions import Version
from imgseal.window import ByteView

_Versions = Mapping[int, Version]


class Brought(NamedTuple):
    """One image for a component of the manifest, or why it is none; and the versions of each set that holds it."""

    part: OurComponent
    image: ImageSubject | CheckResult
    sets: tuple[_Versions, ...]


def brought(subject: PackageSubject, running: _Versions) -> list[Brought]:
    """Return every image that any branch fetches, or that a simulated installation has left behind.

    The second matters because write, copy and swap bring content that is no payload of the envelope. Of a detached
    image every pair of header and payload counts, whichever branch fetches them. An image is judged in each set that an
    installation has ended with and holds it; one that none has left, in the set of all images.
    """
    images = list(_images(subject))
    every = {**running, **_versions(images)}
    ends = []
    for result in subject.results:
        there = [_holds(result, contents) for _, contents, _ in images]
        ends.append((there, {**running, **_versions(list(compress(images, there)))}))
    out = []
    for index, (part, _, image) in enumerate(images):
        sets: list[_Versions] = []
        for there, found in ends:
            if there[index] and found not in sets:
                sets.append(found)
        out.append(Brought(part, image, tuple(sets) or (every,)))
    return out


_Contents = Mapping[OurComponent, memoryview]
_Found = tuple[OurComponent, _Contents, ImageSubject | CheckResult]


def _holds(result: _Contents, contents: _Contents) -> bool:
    return all(part in result and result[part] == data for part, data in contents.items())


def _versions(images: list[_Found]) -> dict[int, Version]:
    return {part.number: i.statement.version for part, _, i in images if isinstance(i, ImageSubject) and i.header}


def _images(subject: PackageSubject) -> Iterator[_Found]:
    contents: dict[OurComponent, list[memoryview]] = {part: [] for part in subject.parts}
    for part, plan in zip(subject.parts, subject.plans, strict=True):
        contents[part] += [subject.envelope.payloads[uri] for uri in plan.uris if uri in subject.envelope.payloads]
    for part, data in subject.installed:
        if data not in contents[part]:
            contents[part].append(data)
    for part, pieces in contents.items():
        partner = part._replace(header=not part.header)
        others = contents.get(partner, [])
        if part.header and len(pieces) * len(others) > DETACHED_PAIRS:
            finding = Finding(
                "rules.limits",
                "more pairs of header and payload than the judge looks at",
                Place(key="install"),
                expected=f"at most {DETACHED_PAIRS}",
                found=str(len(pieces) * len(others)),
                hint="fetch one header and one payload for each run slot; imgseal pack does so",
            )
            yield part, {}, _refused(part, finding)
            continue
        for data in pieces:
            if part.header and others:
                for payload in others:
                    yield part, {part: data, partner: payload}, ImageSubject(ByteView(data), ByteView(payload))
            elif others:  # the payload of a detached header, whatever it begins with: judged with each of its headers
                continue
            elif part.header or bytes(data[: len(MAGIC)]) == MAGIC:
                yield part, {part: data}, ImageSubject(ByteView(data))
            else:
                finding = Finding(
                    "structure.payload-not-sealed",
                    "a payload of the package is not a sealed image: the device would never start it",
                    Place(offset=0),
                    expected=MAGIC.hex(),
                    found=bytes(data[: len(MAGIC)]).hex(),
                    hint="seal the firmware before it is packed; imgseal build does both",
                )
                yield part, {part: data}, _refused(part, finding)


def _refused(part: OurComponent, finding: Finding) -> CheckResult:
    return CheckResult("header", "structure", f"component {part.number}", FAILED, (finding,))
