"""Release channels: whose packages the devices of each one take, and the product as it is for one of them."""

from imgseal.errors import UsageError
from imgseal.product.model import Product
from imgseal.product.table import Table
from imgseal.product.trust_table import Channel, TrustTable

_OF_SIGNING = ("development", "release")
_LOGGED, _MOST = 64, 64  # characters of a name, and channels, that a release log holds


def read_channels(root: Table, trust: TrustTable) -> dict[str, Channel]:
    """Read [channel.NAME], which names keys of trust.packages.keys; UsageError for what leaves a key or channel idle.

    Two channels with the same keys would be one: devices go by the keys alone.
    """
    if "channel" not in root:
        return {}
    entries = {entry.key: entry for entry in trust.packages}
    channels: dict[str, Channel] = {}
    for name, table in root.tables("channel", "channel.NAME").items():
        if name in _OF_SIGNING or len(name) > _LOGGED or len(channels) == _MOST:
            expected = f"a name of at most {_LOGGED} characters, neither {' nor '.join(_OF_SIGNING)}; {_MOST} of them"
            table.refuse("", "no channel can be called so", expected, name, "give it another name")
        keys = table.get("packages")
        for key in keys:
            if key not in entries:
                table.refuse("packages", "a key that trust.packages.keys does not name", ", ".join(entries), key)
        need = table.get("need") or trust.need_packages
        if need > len(keys):
            where = "need" if "need" in table else "packages"
            table.refuse(where, "more signers are needed than the channel has keys", f"at most {len(keys)}", str(need))
        channels[name] = made = Channel(tuple(entries[key] for key in keys), need)
        for other, known in channels.items():
            if other != name and made.takes(known) and known.takes(made):
                table.refuse(
                    "packages",
                    "two channels trust the same keys: their devices would take each other's packages",
                    f"other keys than channel {other}",
                    ", ".join(keys),
                    "give one of them a key of its own: imgseal key new FILE; or make one channel of them",
                )
    idle = entries.keys() - {entry.key for channel in channels.values() for entry in channel.packages}
    if idle:
        root.document.refuse(
            ("trust", "packages", "keys"),
            "devices of no channel trust this key",
            "each key of trust.packages.keys in a [channel.NAME]",
            ", ".join(sorted(idle)),
            "name it in packages of a channel, or take it out",
        )
    return channels


def in_channel(product: Product, name: str) -> Product:
    """Return the product as it is for devices of a channel: `trust` is what these trust.

    UsageError where the product file has no such channel.
    """
    if name not in product.channels:
        raise UsageError(
            "the product file has no such channel",
            place=product.place("channel"),
            expected=", ".join(product.channels) or "no channel at all",
            found=name,
            hint="name a channel of the product file, or add [channel.NAME] to it",
        )
    channel = product.channels[name]
    trust = product.trust._replace(packages=channel.packages, need_packages=channel.need)
    return product._replace(channel=name, trust=trust)


def narrowest_first(product: Product) -> tuple[str, ...]:
    """Return the channels, those first whose devices trust the fewest keys."""
    return tuple(sorted(product.channels, key=lambda name: len(product.channels[name].packages)))
