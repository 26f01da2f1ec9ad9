"""Named tuples that cost a tenth to define.

Type checkers see `typing.NamedTuple`. At run time a metaclass does the same without generating code: 0.01 ms a class
in place of 0.1 ms and more. A judgement defines forty such classes before it looks at anything, and start-up is most
of its time (docs/decisions/001-values-are-named-tuples.md). Fields, defaults, methods, `_fields`, `_replace`,
`_asdict`, order and equality are those of the standard library's; a test holds both against each other.
"""

from operator import itemgetter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import NamedTuple
else:
    try:
        from _collections import _tuplegetter as _getter  # what the standard library's named tuples use as well
    except ImportError:  # another Python implementation

        def _getter(index, doc):
            return property(itemgetter(index), doc=doc)

    class _RecordType(type):
        def __new__(mcs, name, bases, namespace):
            fields = tuple(namespace.get("__annotations__", ()))
            if not fields:
                return super().__new__(mcs, name, bases, namespace)
            defaults = {field: namespace[field] for field in fields if field in namespace}
            for index, field in enumerate(fields):
                namespace[field] = _getter(index, None)
            namespace.update(__slots__=(), _fields=fields, __match_args__=fields, _field_defaults=defaults)
            return super().__new__(mcs, name, bases, namespace)

    class NamedTuple(tuple, metaclass=_RecordType):
        """Base of all records; see `typing.NamedTuple`."""

        __slots__ = ()
        _fields = ()
        _field_defaults = {}

        def __new__(cls, *args, **named):
            fields = cls._fields
            if named or len(args) != len(fields):
                rest = fields[len(args) :]
                if len(args) > len(fields) or not named.keys() <= frozenset(rest):
                    raise TypeError(f"{cls.__name__} takes {', '.join(fields)}")
                values = {**cls._field_defaults, **named} if named else cls._field_defaults
                try:
                    args += tuple([values[field] for field in rest])
                except KeyError as missing:
                    raise TypeError(f"{cls.__name__} needs {missing}") from None
            return tuple.__new__(cls, args)

        @classmethod
        def _make(cls, values):
            return cls(*values)

        def _replace(self, /, **named):
            unknown = [field for field in named if field not in self._fields]
            if unknown:
                raise ValueError(f"{type(self).__name__} has no {unknown}")
            return tuple.__new__(type(self), [named.get(f, v) if f in named else v for f, v in zip(self._fields, self)])

        def _asdict(self):
            return dict(zip(self._fields, self))

        def __getnewargs__(self):
            return tuple(self)

        def __repr__(self):
            return f"{type(self).__name__}({', '.join(f'{f}={v!r}' for f, v in zip(self._fields, self))})"


__all__ = ["NamedTuple"]
