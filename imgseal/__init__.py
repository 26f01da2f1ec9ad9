"""imgseal: seals, signs, packs and judges firmware. Public names are listed in `__all__`; they are loaded on use."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgseal.api import Release, factory_image, judge, release, seal
    from imgseal.errors import ImgsealError, InputError, RefusedError, SigningKeyError, UsageError
    from imgseal.findings import Finding, Verdict
    from imgseal.formats.memory.image import MemoryImage

__version__ = "0.2.0"

__all__ = [
    "Finding",
    "ImgsealError",
    "InputError",
    "MemoryImage",
    "RefusedError",
    "Release",
    "SigningKeyError",
    "UsageError",
    "Verdict",
    "__version__",
    "factory_image",
    "judge",
    "release",
    "seal",
]

_HOMES = {
    "Finding": "findings",
    "ImgsealError": "errors",
    "InputError": "errors",
    "MemoryImage": "formats.memory.image",
    "RefusedError": "errors",
    "Release": "api",
    "SigningKeyError": "errors",
    "UsageError": "errors",
    "Verdict": "findings",
    "factory_image": "api",
    "judge": "api",
    "release": "api",
    "seal": "api",
}

_OLD = {"KeyTroubleError": "SigningKeyError"}
"""Names of 0.1, which answer with the new one and a warning in this version."""


def __getattr__(name: str) -> object:
    if name in _OLD:
        from warnings import warn  # noqa: PLC0415 - `import imgseal` loads nothing

        warn(f"imgseal.{name} is called {_OLD[name]} now", DeprecationWarning, stacklevel=2)
        name = _OLD[name]
    if name in _HOMES:
        from importlib import import_module  # noqa: PLC0415 - `import imgseal` loads nothing

        return getattr(import_module(f"imgseal.{_HOMES[name]}"), name)
    raise AttributeError(f"module imgseal has no attribute {name!r}")
