"""Release channels of the product file: who trusts what. Source of truth: docs/format/product-file.md, "Channels"."""

from pathlib import Path

import pytest
from channel_product import BOTH, CHANNELS, KEYS, TABLES, make_channels, with_channels
from workshop import product, trust_of

from imgseal.errors import SigningKeyError, UsageError
from imgseal.product.channels import in_channel, narrowest_first
from imgseal.product.model import Product
from imgseal.workspace.channels import by_channel
from imgseal.workspace.project import Project


def of(channels: str = CHANNELS, keys: str = BOTH, local: str | None = None) -> Product:
    return product(lambda text: with_channels(text, channels, keys), local_text=local)


def refused(channels: str, keys: str = BOTH, local: str | None = None) -> UsageError:
    with pytest.raises(UsageError) as caught:
        of(channels, keys, local)
    return caught.value


def trusted(made: Product) -> set[str]:
    return {key.source for key in trust_of(made).anchors("packages", development=False)}


def test_devices_of_a_channel_trust_its_package_keys_alone() -> None:
    made = of()
    assert narrowest_first(made) == ("production", "beta")
    assert trusted(in_channel(made, "production")) == {"keys/packages.pub.pem"}
    assert trusted(in_channel(made, "beta")) == {"keys/packages.pub.pem", "keys/beta.pub.pem"}
    for name in made.channels:
        mine = in_channel(made, name)
        assert mine.channel == name
        assert mine.trust._replace(packages=made.trust.packages) == made.trust
        assert mine._replace(trust=made.trust, channel=None) == made
    assert made.channels["beta"].takes(made.channels["production"])
    assert not made.channels["production"].takes(made.channels["beta"])


def test_what_limits_a_key_limits_it_in_every_channel() -> None:
    dated = '{ key = "keys/beta.pub.pem", until = 2027-01-31 }'
    made = of(keys=BOTH.replace('"keys/beta.pub.pem"', dated))
    assert [entry.last for entry in made.channels["beta"].packages] == [None, "2027-01-31"]


def test_a_channel_may_need_more_signers() -> None:
    made = of(CHANNELS.replace("[channel.production]", "need = 2\n[channel.production]"))
    assert in_channel(made, "beta").trust.need_packages == 2
    assert in_channel(made, "production").trust.need_packages == made.trust.need_packages == 1


def test_a_product_file_without_channels_has_none() -> None:
    made = product()
    assert (made.channels, made.channel, narrowest_first(made)) == ({}, None, ())


@pytest.mark.parametrize(
    ("channels", "keys", "key", "found"),
    [
        (CHANNELS.replace("channel.beta", "channel.release"), BOTH, "channel.release", "release"),
        (CHANNELS.replace("channel.beta", "channel." + "b" * 65), BOTH, "channel." + "b" * 65, "b" * 65),
        (CHANNELS, KEYS, "channel.beta.packages", "keys/beta.pub.pem"),
        (CHANNELS.replace(', "keys/beta.pub.pem"', ""), BOTH, "channel.production.packages", "keys/packages.pub.pem"),
        (CHANNELS.split("[channel.production]")[0] + "need = 3\n", BOTH, "channel.beta.need", "3"),
        (CHANNELS.replace("[channel.production]", "need = 17\n[channel.production]"), BOTH, "channel.beta.need", "17"),
        ('[channel.beta]\npackages = ["keys/beta.pub.pem"]\n', BOTH, "trust.packages.keys", "keys/packages.pub.pem"),
        ("[channel.beta]\npackages = []\n", BOTH, "channel.beta.packages", "[]"),
        ("[channel.beta]\n", BOTH, "channel.beta.packages", "nothing"),
        ("[channel]\n", BOTH, "channel", None),
        (CHANNELS.replace("signing.beta", "signing.gamma"), BOTH, "signing.gamma", "gamma"),
        (CHANNELS + 'images = "keys/images.pem"\n', BOTH, "signing.beta.images", "images"),
        (CHANNELS.replace('packages = "keys/beta.pem"\n', ""), BOTH, "signing.beta.packages", "nothing"),
    ],
)
def test_what_leaves_a_key_or_channel_idle_is_refused(channels: str, keys: str, key: str, found: str | None) -> None:
    error = refused(channels, keys)
    assert error.place.key == key
    assert found is None or error.found == found
    assert error.hint
    assert error.expected


def test_needing_more_signers_than_a_channel_has_names_its_keys_where_it_says_no_number_of_its_own() -> None:
    error = refused(CHANNELS, BOTH + "\nneed = 2")
    assert (error.place.key, error.expected, error.found) == ("channel.production.packages", "at most 1", "2")


def test_a_local_file_may_say_where_a_channels_key_is() -> None:
    made = of(local='[signing.beta]\npackages = "/safe/beta.pem"\n')
    assert made.signing["beta"].packages == ("/safe/beta.pem",)
    error = refused(CHANNELS, local='[signing.gamma]\npackages = "x.pem"\n')
    assert error.place.key == "signing.gamma"
    assert error.expected == "development or release or beta or production"


def test_an_unknown_channel_is_refused_with_those_there_are() -> None:
    with pytest.raises(UsageError) as caught:
        in_channel(of(), "gamma")
    assert (caught.value.expected, caught.value.found) == ("beta, production", "gamma")
    with pytest.raises(UsageError) as caught:
        in_channel(product(), "beta")
    assert caught.value.expected == "no channel at all"


def loaded_with(project: Path, channels: str = CHANNELS) -> Project:
    make_channels(project, channels, log=False)
    return Project.load(str(project / "imgseal.toml"))


def test_each_channel_is_signed_with_its_own_key(project: Path) -> None:
    loaded = loaded_with(project)
    names = {
        name: loaded.in_channel(name).signers("packages", development=False)[0].name for name in ("beta", "production")
    }
    assert {name: Path(of_key).name for name, of_key in names.items()} == {
        "beta": "beta.pem",
        "production": "packages.pem",
    }
    assert [each.product.channel for each in by_channel(loaded)] == ["production", "beta"]
    assert loaded.in_channel("beta").words.endswith("imgseal.toml, channel beta")
    assert any(path.endswith("beta.pub.pem") for path in loaded.in_channel("production").own_files())


def test_a_key_that_others_would_trust_signs_no_channel_that_they_are_not_of(project: Path) -> None:
    loaded = loaded_with(project, TABLES)
    loaded.in_channel("production").signers("packages", development=False)
    with pytest.raises(SigningKeyError, match="devices of channel production would take this package of channel beta"):
        loaded.in_channel("beta").signers("packages", development=False)
