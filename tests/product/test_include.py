"""What a product file includes: common keys, rules and memories as though it said them itself, and whose file says so."""

import random
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from imgseal.errors import UsageError
from imgseal.product.include import DEPTH, SHARED
from imgseal.product.model import Product
from imgseal.product.read_toml import read, resolved
from imgseal.product.schema import KEYS
from imgseal.product.starter import product_text
from imgseal.product.table import Document
from imgseal.product.write_toml import write_toml

Tree = dict[str, Any]
OWN = 'format = 1\ninclude = "../common.toml"\n'
COMMON = "../common.toml"
NO_TEXT = Document("", "imgseal.toml")


def demo() -> Tree:
    return {**tomllib.loads(product_text()), "log": {"path": "release.log"}}


def own_and_common() -> tuple[Tree, Tree]:
    tree = demo()
    common = {key: tree.pop(key) for key in SHARED if key in tree and key != "format"}
    return {"include": COMMON, **tree}, {"format": 1, **common}


def product_of(own: str, read_file: Callable[[str, str], str], name: str = "imgseal.toml") -> Product:
    return read(own, name=name, read_file=read_file)


def refused(own: Tree | str, common: Tree | str, name: str = "imgseal.toml") -> UsageError:
    texts = [each if isinstance(each, str) else write_toml(each) for each in (own, common)]
    with pytest.raises(UsageError) as caught:
        product_of(texts[0], lambda _path, _by: texts[1], name)
    return caught.value


def bare(product: Product) -> Product:
    return product._replace(document=NO_TEXT)


def in_folder(tree: Any, folder: str) -> Any:
    """The same tree as a file in the folder above `folder` writes it: what lies in `folder` gets its name in front."""
    if isinstance(tree, dict):
        return {key: in_folder(value, folder) for key, value in tree.items()}
    if isinstance(tree, list):
        return [in_folder(value, folder) for value in tree]
    return f"{folder}{tree}" if isinstance(tree, str) and tree.endswith((".pem", ".log")) else tree


def split(tree: Tree, chance: random.Random) -> tuple[Tree, Tree]:
    """Share the leaves of a tree out to two trees."""
    one: Tree = {}
    other: Tree = {}
    for key, value in tree.items():
        if isinstance(value, dict):
            for side, part in zip((one, other), split(value, chance), strict=True):
                if part:
                    side[key] = part
        else:
            chance.choice((one, other))[key] = value
    return one, other


@pytest.mark.parametrize("seed", range(40))
def test_wherever_a_key_stands_the_product_is_the_same(seed: int) -> None:
    """Shared keys anywhere in a chain of three files, each in a folder of its own."""
    chance = random.Random(seed)
    tree = demo()
    shared = {key: tree.pop(key) for key in SHARED if key in tree and key != "format"}
    near, rest = split(shared, chance)
    middle, far = split(rest, chance)
    own = {**tree, **near, "include": "../line.toml"}
    first = {"format": 1, **in_folder(middle, "pump/"), "include": "house/house.toml"}
    second = {"format": 1, **in_folder(far, "../pump/")}
    texts = {"../line.toml": write_toml(first), "../house/house.toml": write_toml(second)}
    made = read(write_toml(own), name="imgseal.toml", read_file=lambda path, _: texts[path])
    assert made.included == ("../line.toml", "../house/house.toml")

    def back(reference: str) -> str:
        """Take the way there and back out of a path, as the file system does."""
        return reference.replace("../house/../pump/", "").replace("../pump/", "")

    whole = write_toml(demo())
    said = resolved(write_toml(own), name="imgseal.toml", read_file=lambda path, _: texts[path])
    assert "include" not in said
    alone = read(back(write_toml(said)), name="imgseal.toml")
    assert bare(alone) == bare(read(whole, name="imgseal.toml"))
    assert back(repr(bare(made).trust)) == repr(alone.trust)
    assert back(repr(made.signing)) == repr(alone.signing)
    assert back(str(made.log)) == "release.log"


def leaves(tree: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key)


@pytest.mark.parametrize("path", [path for path in leaves(own_and_common()[1]) if path[0] != "format"], ids=".".join)
def test_a_mistake_is_shown_where_it_stands(path: tuple[str, ...]) -> None:
    """Every key of the common file, spoilt, is named with that file and its line, and never with the product's."""
    own, common = own_and_common()
    table = common
    for key in path[:-1]:
        table = table[key]
    table[path[-1]] = {"nothing": "of the kind"}
    text = write_toml(common)
    error = refused(own, text)
    assert error.place.file == COMMON
    assert error.place.line is not None
    head = text.split("\n")[: error.place.line]
    assert any(path[-1] in line for line in head[-1:]) or f"[{'.'.join(path)}]" in head, (error.place, head[-1])


def test_the_file_of_each_key_is_known() -> None:
    own, common = own_and_common()
    product = product_of(write_toml(own), lambda _path, _by: write_toml(common), "pump/imgseal.toml")
    assert product.included == ("pump/../common.toml",)
    assert product.place("trust.packages.need").file == "pump/../common.toml"
    assert product.place("component.motor.counter").file == "pump/imgseal.toml"
    assert product.signing["release"].images == ("../keys/images.pem",)
    assert {each.key for each in product.trust.packages} == {"../keys/packages.pub.pem"}
    assert product.log == "../release.log"


@pytest.mark.parametrize("key", [name for name in KEYS[""] if name not in SHARED])
def test_what_belongs_to_one_product_is_not_included(key: str) -> None:
    own, common = own_and_common()
    value: object = 1 if key in ("format", "include") else {}
    error = refused(own, f"{key} = {'{}' if value == {} else value}\n" + write_toml(common))
    assert (error.place.file, error.place.line, error.place.key) == (COMMON, 1, key)
    assert error.hint == "say it in the product file, imgseal.toml"
    assert error.found == key


def test_what_may_be_shared_is_a_closed_list() -> None:
    assert SHARED == ("format", "include", "signing", "memory", "trust", "channel", "rules", "log")


def test_a_key_in_both_files_is_refused_with_both_places() -> None:
    own, common = own_and_common()
    own["rules"] = {"algorithms": ["ESP256"]}
    error = refused(own, common)
    assert error.place.file == "imgseal.toml"
    assert error.place.key == "rules.algorithms"
    line = write_toml(common).split("\n").index('algorithms = ["ESP256"]') + 1
    assert error.found == f"another one in {COMMON}, line {line}"


def test_a_table_may_stand_in_both_files() -> None:
    own, common = own_and_common()
    own["rules"] = {"update_priority": 7}
    product = product_of(write_toml(own), lambda _path, _by: write_toml(common))
    assert product.rules.update_priority == 7
    assert product.place("rules.algorithms").file == COMMON


@pytest.mark.parametrize(
    ("texts", "file", "message"),
    [
        ({COMMON: 'format = 1\ninclude = "pump/imgseal.toml"\n'}, COMMON, "circle"),
        ({COMMON: 'format = 1\ninclude = "common.toml"\n'}, COMMON, "circle"),
        ({COMMON: 'format = 1\ninclude = "a/../common.toml"\n'}, COMMON, "circle"),
        ({COMMON: "include = 1\nformat = 1\n"}, COMMON, "no file name"),
        ({COMMON: 'include = "a/"\nformat = 1\n'}, COMMON, "no file name"),
        ({COMMON: 'log = {path = "a"}\n'}, COMMON, "missing"),
        ({COMMON: "format = 2\n"}, COMMON, "allowed"),
        ({COMMON: "formats = 1\n"}, COMMON, "unknown key"),
        ({COMMON: "format = \n"}, COMMON, "TOML"),
        ({COMMON: 'format = 1\nledger = {path = "a"}\n'}, COMMON, "unknown key"),
    ],
)
def test_files_that_cannot_be_included(texts: dict[str, str], file: str, message: str) -> None:
    own, _ = own_and_common()
    with pytest.raises(UsageError, match=message) as caught:
        read(write_toml(own), name="pump/imgseal.toml", read_file=lambda path, _: texts[path.removeprefix("pump/")])
    assert caught.value.place.file == f"pump/{file}"
    assert caught.value.hint


def test_a_chain_of_files_has_an_end() -> None:
    def deeper(path: str, _by: str) -> str:
        number = int(path[1:-5])
        return f'format = 1\ninclude = "c{number + 1}.toml"\n'

    with pytest.raises(UsageError) as caught:
        read('format = 1\ninclude = "c1.toml"\n', name="imgseal.toml", read_file=deeper)
    assert caught.value.place.file == f"c{DEPTH}.toml"
    assert caught.value.found == f"imgseal.toml -> {' -> '.join(f'c{n}.toml' for n in range(1, DEPTH + 2))}"


def test_a_text_without_a_place_includes_nothing() -> None:
    with pytest.raises(UsageError, match="stands alone"):
        read(OWN, name="imgseal.toml")


def test_tokens_have_no_folder() -> None:
    own, common = own_and_common()
    common["signing"]["release"]["images"] = "pkcs11:token=release;object=images"
    product = product_of(write_toml(own), lambda _path, _by: write_toml(common))
    assert product.signing["release"].images == ("pkcs11:token=release;object=images",)
