"""Reads who may sign: key references, trust anchors, and the rules that say what must verify."""

from collections.abc import Mapping

from imgseal.product.algorithms import ALGORITHMS, UNVERIFIED
from imgseal.product.model import Component, Rules
from imgseal.product.references import is_token_uri
from imgseal.product.table import Table
from imgseal.product.trust_table import TrustEntry, TrustTable
from imgseal.product.value import iso_day
from imgseal.values import shown

_URIS = "docs/keys.md shows URIs that work"


def read_references(table: Table, key: str) -> tuple[str, ...]:
    """Read the key references of a role: a text, or two to sixteen in brackets."""
    if key not in table:
        return ()
    value = table.at(key)
    names = value.texts(2, 16) if isinstance(value.value, list) else (value.text(),)
    return tuple(_reference(table, key, name) for name in names)


def _reference(table: Table, key: str, text: str) -> str:
    """Check a key reference: a file name as it stands, or a PKCS#11 URI that names no module.

    Loading a module runs its code, and product files travel with sources: decision 010.
    """
    if not is_token_uri(text):
        return text
    from imgseal.product.token_uri import BadTokenUriError, parse  # noqa: PLC0415 - only where there are tokens

    try:
        uri = parse(text)
    except BadTokenUriError as error:
        table.refuse(key, f"this PKCS#11 URI cannot be used: {error}", error.expected, None, error.hint or _URIS)
    if uri.module_path is not None:
        table.refuse(
            key,
            "a product file names no PKCS#11 module: loading one runs its code",
            "a URI without module-path",
            None,
            "set the environment variable IMGSEAL_PKCS11_MODULE to the module's path",
        )
    if uri.type not in (None, "private"):
        table.refuse(key, "this URI names no private key", "type=private, or no type", f"type={uri.type}")
    return text


def _refuse_token(table: Table, key: str, text: str) -> None:
    if is_token_uri(text):
        table.refuse(
            key,
            "a trusted key is a public key file: judging needs no token",
            "the name of a PEM file",
            "a PKCS#11 URI",
            "write the public half with: imgseal key public URI --out FILE",
        )


def read_rules(table: Table) -> Rules:
    """Read [rules]."""
    algorithms = table.get("algorithms")
    for algorithm in algorithms:
        if algorithm not in ALGORITHMS:
            table.refuse(
                "algorithms",
                "an algorithm that is not supported",
                f"{', '.join(ALGORITHMS)} in quotes",
                algorithm,
                "HSS-LMS is left out: docs/decisions/011-hash-based-signatures.md" if "LMS" in algorithm else None,
            )
    must_verify, unverified = _must_verify(table, algorithms), _unverified(table)
    return table.record(Rules, algorithms=algorithms, must_verify=must_verify, unverified=unverified)


def _unverified(table: Table) -> tuple[str, ...]:
    """Read the algorithms whose signatures packages may carry although nothing can verify them."""
    names: tuple[str, ...] = table.get("unverified")
    for name in names:
        if name in ALGORITHMS:
            table.refuse(
                "unverified",
                "signatures by this algorithm can be verified",
                "an algorithm that nothing here verifies",
                name,
                "name the key that signs with it in trust.uncounted",
            )
        if name not in UNVERIFIED:
            table.refuse("unverified", "no other signature algorithm that is known here", ", ".join(UNVERIFIED), name)
    return names


def _must_verify(table: Table, algorithms: tuple[str, ...]) -> tuple[str, ...]:
    """Read which algorithms have to verify; all of them unless the file names fewer.

    ES256 and ESP256 are one algorithm here, named as it signs: by the one that stands first.
    """
    firsts: dict[str, str] = {}
    for name in algorithms:
        firsts.setdefault(ALGORITHMS[name], name)
    names = tuple(firsts.values())
    if table.raw("must_verify") == "all":
        return names
    given = table.at("must_verify").texts(1, 64)
    for name in given:
        if name not in names:
            table.refuse("must_verify", "nothing here is signed with this", ", ".join(names), name)
    if set(given) == set(names):
        table.refuse("must_verify", "these are all algorithms", '"all", or fewer of them', str(list(given)))
    return tuple(name for name in names if name in given)


def read_trust(table: Table, components: Mapping[str, Component]) -> TrustTable:
    """Read [trust]: the entries of each role, and how many signers it needs."""
    roles: list[tuple[tuple[TrustEntry, ...], int]] = []
    for role in ("images", "packages"):
        if role not in table:
            table.refuse(role, "this key is missing", f"[trust.{role}] with keys = [...]", "nothing")
        part = table.table(role, f"trust.{role}")
        values = part.raw("keys")
        if not isinstance(values, list) or not values:
            expected = "one or more public key files in brackets"
            part.refuse("keys", "this is no list of keys", expected, shown(values))
        entries = tuple(_entry(part, value, role, components) for value in values)
        need = part.get("need")
        if need > len(entries):
            part.refuse("need", "more signers are needed than there are keys", f"at most {len(entries)}", str(need))
        roles.append((entries, need))
    development = table.table("development", "trust.development")
    desk = [tuple(TrustEntry(text) for text in development.get(role)) for role in ("images", "packages")]
    uncounted = tuple(TrustEntry(text) for text in table.get("uncounted"))
    deliveries = tuple(TrustEntry(text) for text in table.get("deliveries"))
    apex, contingency = table.get("apex"), table.get("contingency")
    if contingency is not None and apex is None:
        table.refuse("contingency", "a contingency key for nothing", "trust.apex as well", contingency)
    seen: dict[str, str] = {}
    for holder, where, entries in (
        (table, "trust.images", roles[0][0]),
        (table, "trust.packages", roles[1][0]),
        (development, "trust.development.images", desk[0]),
        (development, "trust.development.packages", desk[1]),
        (table, "trust.apex", (TrustEntry(apex),) if apex else ()),
        (table, "trust.contingency", (TrustEntry(contingency),) if contingency else ()),
        (table, "trust.uncounted", uncounted),
        (table, "trust.deliveries", deliveries),
    ):
        for entry in entries:
            _refuse_token(holder, where.rpartition(".")[2], entry.key)
            if entry.key in seen:
                table.refuse(
                    where.split(".")[1],
                    "one key stands in two places of [trust]",
                    "another key for each role",
                    f"{entry.key} in {seen[entry.key]} and {where}",
                    "make a key for each role: imgseal key new FILE",
                )
            seen[entry.key] = where
    return TrustTable(
        roles[0][0], roles[1][0], roles[0][1], roles[1][1], desk[0], desk[1], apex, contingency, uncounted,
        deliveries,
    )  # fmt: skip


def _entry(table: Table, value: object, role: str, components: Mapping[str, Component]) -> TrustEntry:
    if isinstance(value, str) and value:
        _refuse_token(table, "keys", value)
        return TrustEntry(value)
    allowed = (
        ("key", "components", "classes", "from", "until") if role == "images" else ("key", "classes", "from", "until")
    )
    if not isinstance(value, dict) or not isinstance(value.get("key"), str) or any(k not in allowed for k in value):
        table.refuse(
            "keys", "an entry that is no key", f"a file name, or a table with {', '.join(allowed)}", shown(value)
        )
    _refuse_token(table, "keys", value["key"])
    limits = []
    for key in ("components", "classes"):
        names = value.get(key, [])
        if not isinstance(names, list) or not all(isinstance(n, str) for n in names) or (key in value and not names):
            table.refuse("keys", f"{key} is no list of names", "one or more names in brackets", shown(names))
        limits.append(tuple(names))
    for name in limits[0]:
        if name not in components:
            table.refuse("keys", "there is no such component", ", ".join(components), name)
    first, last = (_day(table, value[key], key) if key in value else None for key in ("from", "until"))
    if first is not None and last is not None and first > last:
        table.refuse("keys", "a key that is never good", f"until {first} or later", f"from {first} until {last}")
    return TrustEntry(value["key"], limits[0], limits[1], first, last)


def _day(table: Table, value: object, key: str) -> str:
    day = iso_day(value)
    if day is None:
        table.refuse("keys", f"{key} is no day", f"a date without quotes, such as {key} = 2027-01-31", shown(value))
    return day
