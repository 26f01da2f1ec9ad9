"""Loads the project: product file, local key references, trust anchors, signers."""

import os
from typing import TYPE_CHECKING, Any

from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.limits import PRODUCT_FILE_BYTES
from imgseal.product.algorithms import KEY_NAMES
from imgseal.product.references import is_token_uri
from imgseal.records import NamedTuple
from imgseal.workspace.files import PRODUCT_NAME
from imgseal.workspace.key_files import held_elsewhere, key_file, new_key, open_to_others, opened, refuse_open
from imgseal.workspace.product_files import LOCAL_NAME, find_product, including, read_text
from imgseal.workspace.session import note

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from imgseal.keys.signer import Signer
    from imgseal.keys.trusted_keys import Trust
    from imgseal.product.left_to_log import LastNumbers
    from imgseal.product.model import Product, Slot


def _texts(
    product_file: str | None, settings: tuple[str, ...], *, found: bool = False, with_log: bool = True
) -> tuple[str, "dict[str, Any]"]:
    """Return the path of the product file, and all that reading it takes by the names that read_toml.py has for it."""
    if product_file is None:
        path, named = find_product("."), False
    else:
        path, named = product_file, not found
        if not os.path.isfile(path) and os.path.basename(path) == path:
            from imgseal.workspace.line_file import member_named

            if (member := member_named(path)) is not None:
                path, named = member, False
    if os.path.isdir(path):
        raise UsageError(
            "the product file is a file in this folder",
            place=Place(file=path),
            hint=f"--product {os.path.join(path, PRODUCT_NAME)}",
        )
    text = read_text(path, "product file", PRODUCT_FILE_BYTES)
    local = os.path.join(os.path.dirname(path), LOCAL_NAME)
    overrides: dict[str, str] = {}
    for setting in settings:
        key, equals, value = setting.partition("=")
        if not equals:
            raise UsageError(
                "--set takes KEY=VALUE",
                found=setting,
                hint="for example: --set release.version=2.4.1",
            )
        if key in overrides:
            raise UsageError("--set gives one key twice", place=Place(key=key), hint="give it once")
        overrides[key] = value
    folder = os.path.dirname(path)
    known: dict[str, Mapping[bytes, LastNumbers]] = {}

    def numbers(log: str) -> "Mapping[bytes, LastNumbers]":
        if log not in known:
            from imgseal.workspace.last_numbers import last_numbers

            known[log] = last_numbers(os.path.join(folder, log)) if with_log else {}
        return known[log]

    return path, {
        "numbers": numbers,
        "text": text,
        "name": path,
        "overrides": overrides,
        "local_text": read_text(local, "local file", PRODUCT_FILE_BYTES) if os.path.exists(local) else None,
        "read_file": including(path, named=named),
    }


class Project(NamedTuple):
    """A loaded product file and the folder that its references start from."""

    product: "Product"
    folder: str
    path: str

    @classmethod
    def load(
        cls,
        product_file: str | None,
        settings: tuple[str, ...] = (),
        variant: str | None = None,
        *,
        with_log: bool = True,
    ) -> "Project":
        """Read the product file, and the local file beside it; UsageError or InputError says what is wrong where.

        It is named by its path or, in a product line, by the product's name; else it is the nearest one. Numbers that
        are left to the release log are those of its last line; `with_log` False takes it for empty.
        """
        from imgseal.product.read_toml import read

        path, texts = _texts(product_file, settings, with_log=with_log)
        product = read(**texts, variant=variant)
        note(product.notes)
        return cls(product, os.path.dirname(path), path)

    @classmethod
    def load_every(
        cls, product_file: str | None, settings: tuple[str, ...] = (), *, found: bool = False, with_log: bool = True
    ) -> "tuple[Project, ...]":
        """Read it as `load` does; return the product as it is without a variant, then each variant.

        `found` says that nobody has named this file, which a product line led to.
        """
        from imgseal.product.read_toml import read_every

        path, texts = _texts(product_file, settings, found=found, with_log=with_log)
        products = read_every(**texts)
        note(products[0].notes)
        return tuple(cls(product, os.path.dirname(path), path) for product in products)

    @property
    def words(self) -> str:
        """The product file, with variant and channel where it is of one: by what a verdict was reached."""
        named = (("variant", self.product.variant), ("channel", self.product.channel))
        return ", ".join([self.path, *(f"{what} {name}" for what, name in named if name is not None)])

    def in_channel(self, name: str) -> "Project":
        """Return the project as it is for devices of a channel; UsageError where there is no such channel."""
        from imgseal.product.channels import in_channel

        return self._replace(product=in_channel(self.product, name))

    def resolve(self, reference: str) -> str:
        """Return the path of a file that the product file names."""
        return os.path.join(self.folder, reference)

    @property
    def log_path(self) -> str | None:
        """The path of the release log; None where none is kept."""
        return None if self.product.log is None else self.resolve(self.product.log)

    @property
    def pin_path(self) -> str | None:
        """The path of the file that a head of the log is kept in; None where none is stated."""
        return None if self.product.pin is None else self.resolve(self.product.pin)

    def slot(self, name: str, place: Place | None = None) -> "Slot":
        """Return the slot of that name; UsageError lists the names there are."""
        if name not in self.product.slots:
            raise UsageError(
                "the product file has no such slot",
                place=place or Place(file=self.path),
                expected=", ".join(self.product.slots),
                found=name,
                hint="name a slot of the product file, or use another one: --product FILE",
            )
        return self.product.slots[name]

    def inputs(self) -> list[str]:
        """Return the files that every release depends on: product, included and local files, trusted public keys."""
        several = (*self.product.trust.roles.values(), *(each.packages for each in self.product.channels.values()))
        keys = dict.fromkeys(entry.key for entries in several for entry in entries)
        named = [os.path.join(self.folder, LOCAL_NAME), *map(self.resolve, keys)]
        return [self.path, *self.product.included, *(path for path in named if os.path.exists(path))]

    def own_files(self) -> list[str]:
        """Return every file that the product file is or names, there or not: no output may ever replace one of them."""
        product = self.product
        references = [r for keys in product.signing.values() for r in (*keys.images, *keys.packages, *keys.deliveries)]
        more = (product.trust.apex, product.trust.contingency, product.log, product.pin, product.factory.bootloader)
        references += [r for r in more if r is not None] + [part.file for part in product.factory.ranges]
        return [*self.inputs(), *(self.resolve(r) for r in references if not is_token_uri(r))]

    def trust(self, *, development: bool = False, absent: bool = False) -> "Trust":
        """Read the trust anchors; SigningKeyError for a file of [trust] that cannot be read.

        For a development judgement the released ones may be missing, and are then not trusted; what is made for a
        device is made of all of them. `absent` leaves out every file that is not there: for whoever says so itself.
        """
        from imgseal.keys.trusted_keys import resolve

        keys = dict(self.product.trust.files())

        def read(reference: str) -> bytes | None:
            path, key = self.resolve(reference), keys[reference]
            optional = absent or (development and not key.startswith("trust.development."))
            if optional and not os.path.lexists(path):
                return None
            try:
                return key_file(path, "", "cannot read a trusted public key")
            except SigningKeyError as error:
                error.hint = f"{self._names(key)}: put it there, or make a pair: imgseal key new FILE"
                raise

        return resolve(self.product, read)

    def signers(self, role: str, *, development: bool) -> "tuple[Signer, ...]":
        """Open the signing keys of a role, `images` or `packages`: at least one for each algorithm that must verify.

        SigningKeyError where one is missing, or one is named twice.
        """
        table = "development" if development else "release"
        if role == "packages" and not development and (own := self.product.channel) in self.product.signing:
            table = str(own)
        keys = self.product.signing.get(table)
        references: tuple[str, ...] = getattr(keys, role) if keys is not None else ()
        key = f"signing.{table}.{role}"
        if not references:
            raise SigningKeyError(
                "the product file names no signing key for this",
                place=self.product.place(key),
                hint=f"add it there, or to {LOCAL_NAME} beside it",
            )
        signers = tuple(self._signer(reference, key, development=development) for reference in references)
        self._refuse_uncovered(signers, key)
        if role == "packages" and not development:
            self.refuse_for_others((signer.public.key_id for signer in signers), key)
        return signers

    def delivery_signer(self, *, development: bool) -> "Signer":
        """Open the key that signs deliveries; where devices trust none for them alone, the first one for packages."""
        keys = self.product.signing.get("release")
        if development or not self.product.trust.deliveries:
            return self.signers("packages", development=development)[0]
        key = "signing.release.deliveries"
        if keys is None or not keys.deliveries:
            raise SigningKeyError(
                "the product file names no key that signs deliveries, and devices trust some for them",
                place=self.product.place(key),
                expected="the private half of a key of trust.deliveries",
                hint=f"add it there, or to {LOCAL_NAME} beside it",
            )
        return self._signer(keys.deliveries[0], key, development=False)

    def refuse_for_others(self, signed: "Iterable[bytes]", key: str) -> None:
        """SigningKeyError where what is signed would be taken by devices that do not trust all keys of the channel.

        `signed` are identifiers of the keys that sign it; `key` is the one of the product file that says whose.
        """
        channels, own = self.product.channels, self.product.channel
        signed = frozenset(signed)
        for name, channel in channels.items():
            if own is None or channel.takes(channels[own]):
                continue
            trusted = self.in_channel(name).trust().anchors("packages", development=False)
            names = [each.source for each in trusted if each.key_id in signed]
            if len(names) >= channel.need:
                raise SigningKeyError(
                    f"devices of channel {name} would take this package of channel {own}",
                    place=self.product.place(key),
                    expected=f"a key that [channel.{name}] does not name",
                    found=", ".join(names),
                    hint=f"sign channel {own} with a key of its own: [signing.{own}] packages = FILE",
                )

    def _names(self, key: str) -> str:
        """Say where a file is named by a key of the product file."""
        place = self.product.place(key)
        return f"{place._replace(key=None)} names it as {place.key}"

    def _refuse_uncovered(self, signers: "tuple[Signer, ...]", key: str) -> None:
        """SigningKeyError unless the keys are different, and each algorithm that must verify has one."""
        kinds = [signer.public.kind for signer in signers]
        if len({signer.public.key_id for signer in signers}) != len(signers):
            raise SigningKeyError(
                "one signing key stands here twice",
                place=self.product.place(key),
                expected="different keys",
                found=", ".join(f"{signer.name} ({signer.public.key_id.hex()})" for signer in signers),
                hint="a key signs once: name another one, or take one out; imgseal key show FILE shows its identifier",
            )
        rules = self.product.rules
        for name, kind in zip(rules.must_verify, rules.required, strict=True):
            if kind not in kinds:
                raise SigningKeyError(
                    f"no signing key for {name}, which must verify",
                    place=self.product.place(key),
                    expected=f"a key for each of {', '.join(rules.must_verify)} (rules.must_verify)",
                    found=", ".join(f"{signer.name} ({signer.public.words})" for signer in signers),
                    hint=f'make one with: imgseal key new FILE --algorithm {KEY_NAMES[kind]}; {key} = ["ONE", "OTHER"]',
                )

    def _signer(self, reference: str, key: str, *, development: bool) -> "Signer":
        if is_token_uri(reference):
            from imgseal.workspace.tokens import token_signer

            return token_signer(reference)

        path = self.resolve(reference)
        if not os.path.exists(path):
            make = f"put it there, or make one: {new_key(path, development=development)}"
            raise SigningKeyError(
                "the signing key is not there",
                place=Place(file=path),
                hint=f"{self._names(key)}; {held_elsewhere(path, reference, key) or make}",
            )
        data = key_file(path, "check the permissions of the file")
        if not development:
            refuse_open(data, path)
        return opened(data, path, key.rpartition(".")[2])

    def notes_on(self, *, development: bool) -> list[str]:
        """Return what is to be said of numbers and keys that a release with a log would be refused for."""
        return [*self._notes_on_numbers(), *(self._notes_on_keys() if development else [])]

    def _notes_on_numbers(self) -> list[str]:
        """Say which numbers are left to a release log that is not there: they are those of a first release."""
        path, product = self.log_path, self.product
        left = [f"release.sequence is {product.release.sequence}"] if product.release.next else []
        left += [
            f"component.{name}.counter is {part.counter}" for name, part in product.components.items() if part.same
        ]
        if path is None or not left or os.path.lexists(path):
            return []
        return [f"{path}: the release log is not there, so {', '.join(left)}, as before the first release"]

    def _notes_on_keys(self) -> list[str]:
        """Say which private keys of development others can read.

        A checkout gives every file to everyone, and development keys may lie in it.
        """
        keys = self.product.signing.get("development")
        if keys is None:
            return []
        paths = [self.resolve(r) for r in dict.fromkeys((*keys.images, *keys.packages)) if not is_token_uri(r)]
        return [
            f"{path}: others on this machine can read this development key; a release key would be refused"
            for path in paths
            if os.path.isfile(path)
            and open_to_others(path)
            and b"PRIVATE KEY-----" in key_file(path, "check the permissions of the file")
        ]
