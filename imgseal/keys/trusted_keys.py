"""Trust anchors: which public key is good for what. Local policy from the product file, never from a message."""

from collections.abc import Callable

from imgseal.errors import SigningKeyError
from imgseal.keys.p256 import PublicKey
from imgseal.keys.pem import load_public
from imgseal.keys.public_key import AnyKey
from imgseal.keys.published import origin_of
from imgseal.product.algorithms import ALGORITHMS, KEY_NAMES
from imgseal.product.model import Product
from imgseal.product.trust_table import TrustEntry
from imgseal.records import NamedTuple

IMAGES, PACKAGES, DELIVERIES, UNCOUNTED = "images", "packages", "deliveries", "uncounted"
_NEW_KEY = "make a key for each role: imgseal key new FILE"


class TrustedKey(NamedTuple):
    """A trust anchor: the key, its role, and what the product file limits it to.

    `components` holds component names and `classes` class names; empty means all. `first` and `last` are the days it
    is good on, as YYYY-MM-DD. `published` says where the private half is printed, for keys that everyone knows.
    """

    public: AnyKey
    key_id: bytes
    source: str
    role: str
    development: bool
    components: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    published: str | None = None
    first: str | None = None
    last: str | None = None

    def good_on(self, day: str) -> bool:
        """Say whether the entry is in force on a day, YYYY-MM-DD in UTC."""
        return (self.first is None or self.first <= day) and (self.last is None or day <= self.last)

    def good_for(self, component: str | None, class_name: str) -> bool:
        """Say whether the entry's limits admit this component (None: a package) of this class."""
        return (not self.components or component is None or component in self.components) and (
            not self.classes or class_name in self.classes
        )


class Trust(NamedTuple):
    """All trust anchors of a product, and how many distinct signers images and packages need.

    `apex` signs the sets of trust anchors that devices take later, `contingency` takes its place; RFC 5934 section 1.1.
    Signatures of `uncounted` keys may be on a package and count for nothing; no message is trusted for one of them.
    """

    keys: tuple[TrustedKey, ...]
    need_images: int
    need_packages: int
    apex: PublicKey | None = None
    contingency: PublicKey | None = None
    uncounted: tuple[TrustedKey, ...] = ()

    def anchors(self, role: str, *, development: bool) -> tuple[TrustedKey, ...]:
        """Return the anchors of one role: the released ones, or those for development images and packages."""
        return tuple(k for k in self.keys if k.role == role and k.development == development)

    def deliverers(self, *, development: bool) -> tuple[TrustedKey, ...]:
        """Return the anchors that may sign deliveries: those of the role, or where it has none, of packages."""
        own = self.anchors(DELIVERIES, development=development)
        return own or self.anchors(PACKAGES, development=development)


def resolve(product: Product, read: Callable[[str], bytes | None]) -> Trust:
    """Read the key files that [trust.*] names.

    `read` turns a reference of the product file into bytes, or None for one that is not there and not to be trusted.
    Raises SigningKeyError for a file that holds no public key, for a key that no algorithm of the rules is for, for a
    role without enough keys for an algorithm that must verify, and for one key in two roles: a key that signs both
    images and packages would let one theft open both layers.
    """
    trust, files = product.trust, _KeyFiles(product, read)
    keys: list[TrustedKey] = []
    for role, development, entries, need in (
        (IMAGES, False, trust.images, trust.need_images),
        (PACKAGES, False, trust.packages, trust.need_packages),
        (DELIVERIES, False, trust.deliveries, 0),
        (IMAGES, True, trust.development_images, 1),
        (PACKAGES, True, trust.development_packages, 1),
    ):
        where = f"trust.development.{role}" if development else f"trust.{role}"
        where += "" if development or role == DELIVERIES else ".keys"
        found = [key for entry in entries if (key := files.trusted(entry, where, role, development=development))]
        if entries and len(found) == len(entries):  # at a desk released keys may be missing
            _refuse_too_few(found, product, where, need)
        keys += found
    apex, contingency = files.lone("apex"), files.lone("contingency")
    uncounted = tuple(key for entry in trust.uncounted if (key := files.uncounted(entry)))
    return Trust(tuple(keys), trust.need_images, trust.need_packages, apex, contingency, uncounted)


class _KeyFiles:
    """The key files of [trust], read one by one; a key stands in one place of it."""

    def __init__(self, product: Product, read: Callable[[str], bytes | None]) -> None:
        self._product = product
        self._read = read
        # by key identifier: two keys with one identifier could not be told apart
        self._seen: dict[bytes, tuple[str, str]] = {}

    def trusted(self, entry: TrustEntry, where: str, role: str, *, development: bool) -> TrustedKey | None:
        """Read a key of a role; None where it is not there."""
        public, rules = self._load(entry.key), self._product.rules
        if public is None:
            return None
        if public.kind not in rules.kinds:
            raise SigningKeyError(
                "a trusted key that nothing could be verified with",
                place=self._product.place(where),
                expected=f"a key for {' or '.join(rules.algorithms)} (rules.algorithms)",
                found=f"{entry.key} is for {public.words}",
                hint="name its algorithm in rules.algorithms, or take the key out",
            )
        self._claim(public, where, entry.key, "another key for each role, and each key once")
        limits = (entry.components, entry.classes, origin_of(public), entry.first, entry.last)
        return TrustedKey(public, public.key_id, entry.key, role, development, *limits)

    def uncounted(self, entry: TrustEntry) -> TrustedKey | None:
        """Read a key whose signatures count for nothing; of any kind, and in no other role."""
        public = self._load(entry.key)
        if public is None:
            return None
        hint = "take it out of trust.uncounted: what is trusted counts"
        self._claim(public, "trust.uncounted", entry.key, "a key that nothing is trusted for", hint)
        return TrustedKey(public, public.key_id, entry.key, UNCOUNTED, development=False)

    def lone(self, name: str) -> PublicKey | None:
        """Read the apex trust anchor or the contingency key: P-256, and a key for nothing else."""
        reference, where = getattr(self._product.trust, name), f"trust.{name}"
        public = None if reference is None else self._load(reference)
        if public is None:
            return None
        if not isinstance(public, PublicKey):
            raise SigningKeyError(
                "trust anchor sets are signed with P-256",
                place=self._product.place(where),
                expected="a key for ESP256",
                found=f"{reference} is for {public.words}",
                hint="make one: imgseal key new FILE",
            )
        self._claim(public, where, reference, "a key that signs nothing but trust anchor sets")
        return public

    def _load(self, reference: str) -> AnyKey | None:
        data = self._read(reference)
        return None if data is None else load_public(data, reference)

    def _claim(self, public: AnyKey, where: str, source: str, expected: str, hint: str = _NEW_KEY) -> None:
        """Note where a key stands in [trust]; SigningKeyError where it stands already."""
        if public.key_id in self._seen:
            other_where, other = self._seen[public.key_id]
            raise SigningKeyError(
                "one key stands in two places of [trust]",
                place=self._product.place(where),
                expected=expected,
                found=f"{source} is the same key as {other} in {other_where}",
                hint=hint,
            )
        self._seen[public.key_id] = where, source


def _refuse_too_few(keys: list[TrustedKey], product: Product, where: str, need: int) -> None:
    """`need` counts within each algorithm that must verify: keys of another one do not make up for it."""
    for name in product.rules.must_verify:
        kind = ALGORITHMS[name]
        count = sum(key.public.kind == kind for key in keys)
        if count < need:
            raise SigningKeyError(
                f"too few trusted keys for {name}, which must verify",
                place=product.place(where),
                expected=f"at least {need} for {name} (rules.must_verify)",
                found=str(count),
                hint=f"add one, made with: imgseal key new FILE --algorithm {KEY_NAMES[kind]}",
            )
