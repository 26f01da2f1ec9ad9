"""What `import imgseal` offers: the names of `__all__`, each loaded on use."""

import pytest

import imgseal


def test_names() -> None:
    assert imgseal.__all__ == [
        "Finding", "ImgsealError", "InputError", "MemoryImage", "RefusedError", "Release", "SigningKeyError", "UsageError",
        "Verdict", "__version__", "factory_image", "judge", "release", "seal",
    ]  # fmt: skip
    for name in imgseal.__all__:
        assert getattr(imgseal, name)


def test_intelhex_is_the_interchange_type() -> None:
    image = imgseal.MemoryImage.from_bytes(0x2_0000, b"firmware")
    assert image.to_intelhex().todict() == dict(enumerate(b"firmware", 0x2_0000))
    assert imgseal.MemoryImage.from_intelhex(image.to_intelhex()) == image


def test_no_other_name() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Image'"):
        imgseal.Image  # noqa: B018 - the access is the question


def test_an_old_name_answers_with_the_new_one() -> None:
    with pytest.warns(DeprecationWarning, match="KeyTroubleError is called SigningKeyError now") as told:
        from imgseal import KeyTroubleError
    assert KeyTroubleError is imgseal.SigningKeyError
    assert {warning.filename for warning in told} == {__file__}
