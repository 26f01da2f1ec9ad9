"""Our named tuples do what the standard library's do; `typing.NamedTuple` is the reference."""

import pickle
import typing

import pytest

from imgseal.records import NamedTuple


class Ours(NamedTuple):
    a: int
    b: str = "b"
    c: tuple[int, ...] = ()

    @property
    def double(self) -> int:
        return 2 * self.a


class Theirs(typing.NamedTuple):
    a: int
    b: str = "b"
    c: tuple[int, ...] = ()

    @property
    def double(self) -> int:
        return 2 * self.a


@pytest.mark.parametrize(
    ("positional", "named"), [((1,), {}), ((1, "x"), {}), ((1, "x", (2,)), {}), ((), {"a": 1}), ((1,), {"c": (3,)})]
)
def test_same_values(positional: tuple[typing.Any, ...], named: dict[str, typing.Any]) -> None:
    ours, theirs = Ours(*positional, **named), Theirs(*positional, **named)
    assert tuple(ours) == tuple(theirs)
    assert (ours.a, ours.b, ours.c, ours.double) == (theirs.a, theirs.b, theirs.c, theirs.double)
    assert ours._asdict() == theirs._asdict()
    assert ours._fields == theirs._fields == ("a", "b", "c")
    assert repr(ours).replace("Ours", "") == repr(theirs).replace("Theirs", "")
    assert tuple(ours._replace(b="y")) == tuple(theirs._replace(b="y"))
    assert pickle.loads(pickle.dumps(ours)) == ours
    assert hash(ours) == hash(theirs)
    assert isinstance(ours, tuple)


@pytest.mark.parametrize(("positional", "named"), [((), {}), ((1, 2, 3, 4), {}), ((1,), {"a": 1}), ((1,), {"d": 1})])
def test_same_refusals(positional: tuple[typing.Any, ...], named: dict[str, typing.Any]) -> None:
    for kind in (Ours, Theirs):
        with pytest.raises(TypeError):
            kind(*positional, **named)


def test_values_cannot_be_changed() -> None:
    ours = Ours(1)
    with pytest.raises(AttributeError):
        ours.a = 2  # type: ignore[misc]
    with pytest.raises(AttributeError):
        ours.d = 2  # type: ignore[attr-defined]
    with pytest.raises(ValueError, match="d"):
        ours._replace(d=2)  # type: ignore[call-arg]


def test_order_patterns_and_identity() -> None:
    assert Ours(1) < Ours(2)
    assert Ours(1, "x") == Ours(1, "x")
    match Ours(1, "x"):
        case Ours(a, b, _):
            assert (a, b) == (1, "x")
    a, b, c = Ours(5)
    assert (a, b, c) == (5, "b", ())
