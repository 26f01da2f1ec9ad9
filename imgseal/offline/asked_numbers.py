"""Holds the numbers that a request asks to be signed against those of the product file: --set is easily forgotten."""

from collections.abc import Iterator

from imgseal.errors import UsageError
from imgseal.formats.sealed_image.codec import decode_statement
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.offline.request import Request
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.versions import suit_words


class _Number(NamedTuple):
    """A key of the product file, what the request asks for, and what the product file says."""

    key: str
    asked: str
    here: str


def refuse_other_numbers(request: Request, product: Product, *, stated: bool = False) -> None:
    """UsageError where versions, counters or the sequence of a request are not those that would be made now.

    `stated`: only those are asked for that the product file states, as the log has not given the others yet. Nothing in
    the request is believed by it: what is signed is made here once more, and compared by its digest.
    """
    numbers = _numbers(request, product, stated=stated)
    others = list(dict.fromkeys(each for each in numbers if each.asked != each.here))
    if others:
        raise UsageError(
            "the request was made with other numbers than the product file has",
            place=product.place(others[0].key),
            expected=", ".join(f"{each.key} {each.asked}" for each in others),
            found=", ".join(each.here for each in others),
            hint="finish as it was built: " + " ".join(f"--set {each.key}={each.asked}" for each in others),
        )


def _numbers(request: Request, product: Product, *, stated: bool) -> Iterator[_Number]:
    release = product.release
    for item in request.items:
        if not item.is_statement:
            manifest = decode_manifest(item.content)
            if not (stated and release.next):
                yield _Number("release.sequence", str(manifest.sequence_number), str(release.sequence))
            if (version := suit_words(manifest.set_version)) is not None:
                yield _Number("release.version", version, str(release.version))
            continue
        statement = decode_statement(item.content)
        component = product.component(statement.component)
        if component is None:
            continue  # the request is for another product, which its class says
        key = "release" if component.version == release.version else f"component.{component.name}"
        yield _Number(f"{key}.version", str(statement.version), str(component.version))
        if not (stated and component.same):
            yield _Number(f"component.{component.name}.counter", str(statement.counter), str(component.counter))
