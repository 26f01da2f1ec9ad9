"""The keys that devices trust, as the product file names them."""

from collections.abc import Iterator

from imgseal.records import NamedTuple


class TrustEntry(NamedTuple):
    """A public key file and what it is good for; empty limits mean everything.

    `first` and `last` are the days it is good on, as YYYY-MM-DD in UTC, both included; None: no such limit.
    """

    key: str
    components: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    first: str | None = None
    last: str | None = None


class TrustTable(NamedTuple):
    """The trust anchors by role, how many distinct signers are needed, and who signs later sets of them.

    Packages may carry signatures by `uncounted` keys: nothing trusts them. Keys of `deliveries` sign what a release
    travels in, and nothing else; without any, package keys do.
    """

    images: tuple[TrustEntry, ...]
    packages: tuple[TrustEntry, ...]
    need_images: int
    need_packages: int
    development_images: tuple[TrustEntry, ...]
    development_packages: tuple[TrustEntry, ...]
    apex: str | None = None
    contingency: str | None = None
    uncounted: tuple[TrustEntry, ...] = ()
    deliveries: tuple[TrustEntry, ...] = ()

    @property
    def roles(self) -> dict[str, tuple[TrustEntry, ...]]:
        """The keys of each role; a role is called as it is in [trust]."""
        return {
            "images": self.images,
            "packages": self.packages,
            "deliveries": self.deliveries,
            "development.images": self.development_images,
            "development.packages": self.development_packages,
            "uncounted": self.uncounted,
        }

    def files(self) -> Iterator[tuple[str, str]]:
        """Yield every file that [trust] names, with the key that names it."""
        for role, entries in reversed(self.roles.items()):
            key = f"trust.{role}.keys" if role in ("images", "packages") else f"trust.{role}"
            yield from ((entry.key, key) for entry in entries)
        for key, file in (("trust.apex", self.apex), ("trust.contingency", self.contingency)):
            if file is not None:
                yield file, key


class Channel(NamedTuple):
    """A release channel: the package keys that its devices trust, and how many distinct signers they need."""

    packages: tuple[TrustEntry, ...]
    need: int

    def takes(self, other: "Channel") -> bool:
        """Say whether devices of this channel trust all package keys that those of the other one do."""
        return set(self.packages) >= set(other.packages)
