"""imgseal: seals, signs, packs and judges firmware. Public names are listed in `__all__`."""

__version__ = "0.1.0"

__all__ = ["__version__"]
