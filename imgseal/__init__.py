"""imgseal: seals, signs, packs and judges firmware. Public names are listed in `__all__`; they are loaded on use."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgseal.memory.image import MemoryImage

__version__ = "0.1.0"

__all__ = ["MemoryImage", "__version__"]


def __getattr__(name: str) -> object:
    if name == "MemoryImage":
        from imgseal.memory.image import MemoryImage  # noqa: PLC0415 - `import imgseal` loads nothing

        return MemoryImage
    raise AttributeError(f"module imgseal has no attribute {name!r}")
