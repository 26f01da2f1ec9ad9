"""Cases of packages that are good SUIT and no package of ours: each once for the device code, once for another verifier.

Each was read in two ways by two readers, before the profile of docs/format/package.md was a template.
"""

from collections.abc import Iterator

from image_cases import Case
from kit_base import firmware, image, plain_payload, product
from package_cases import RADIO, TABLE, Change, edited, member, put
from workshop import make

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch
from imgseal.formats.suit.digest import sha256_digest
from imgseal.formats.suit.manifest import Manifest

ELSEWHERE = "kit-other-verifier"
OUTSIDE = "rules.outside-profile"
ASK = (
    Command(labels.OVERRIDE_PARAMETERS, {labels.UPDATE_PRIORITY: 0}),
    Command(labels.CONDITION_UPDATE_AUTHORISED, 15),
)


def profile_cases() -> Iterator[Case]:
    """Every case; `elsewhere` is what the judge says for another verifier, where the profile does not count."""
    for name, raw, elsewhere in (
        ("consent-in-a-branch", edited(_consent_in_a_branch), "rules.authorisation-missing"),
        ("consent-behind-a-fetch", edited(_consent_behind), "rules.authorisation-missing"),
        ("consent-left-out", edited(_left_out), "rules.authorisation-missing"),
        ("both-branches-for-one-slot", edited(_one_slot), "accepted"),
        ("digest-exchanged-in-validate", edited(_exchanged), "digest.image"),
        ("digest-exchanged-in-install", edited(_exchanged_early), "accepted"),
        ("index-left-open", edited(_left_open), "digest.image"),
        ("installs-nothing", edited(_nothing, payloads=lambda _: {}), "rules.directive-failed"),
        ("components-out-of-order", edited(_out_of_order), "accepted"),
        ("version-greater", edited(_version_greater), "accepted"),
        ("validates-one-twice", edited(_one_twice), "identity.layers-disagree"),
        ("other-command-at-the-end", edited(_other_command), "accepted"),
        ("version-left-out", edited(_version_left_out), "accepted"),
        (
            "header-alone",
            edited(_header_alone, package=_made("plain", "large"), payloads=_without_plain),
            "structure.payload-missing",
        ),
        ("version-never-fetched", edited(_never_fetched), "identity.layers-disagree"),
        ("two-payloads-of-a-header", *_two_payloads()),
    ):
        # what only the images show comes behind the profile
        behind = ("accepted", "structure.bytes-after-payload", "structure.payload-missing")
        first = OUTSIDE if elsewhere in behind else elsewhere
        yield Case(f"package-{name}", raw, first)
        yield Case(f"package-{name}-elsewhere", raw, elsewhere, product=ELSEWHERE)


def _without_consent(manifest: Manifest) -> Sequence:
    gone = {labels.UPDATE_PRIORITY}
    return tuple(
        c
        for c in member(manifest, labels.INSTALL)
        if c.code != labels.CONDITION_UPDATE_AUTHORISED
        and not (isinstance(c.argument, dict) and gone & set(c.argument))
    )


def _consent_in_a_branch(manifest: Manifest) -> Manifest:
    """Asked for in the second branch of a try-each whose first one is always taken."""
    here: Sequence = (Command(labels.SET_COMPONENT_INDEX, 0),)
    branches = ((*here, Command(labels.CONDITION_VENDOR, 15)), (*here, *ASK))
    return put(labels.INSTALL, (*here, Command(labels.TRY_EACH, branches), *_without_consent(manifest)))(manifest)


def _consent_behind(manifest: Manifest) -> Manifest:
    """Asked for once everything is installed."""
    return put(labels.INSTALL, (*_without_consent(manifest), *ASK))(manifest)


def _left_out(manifest: Manifest) -> Manifest:
    """Never asked for, and all the rest as it has to be: what a product makes that cannot hurt."""
    return put(labels.INSTALL, _without_consent(manifest))(manifest)


def _one_slot(manifest: Manifest) -> Manifest:
    """The build for the second run slot is installed where the first one is free, by a branch that is never reached."""
    install = list(member(manifest, labels.INSTALL))
    at = next(n for n, c in enumerate(install) if c.code == labels.TRY_EACH)
    branches = install[at].argument
    assert isinstance(branches, tuple)
    same = tuple(
        Command(c.code, {labels.SLOT: 0}) if isinstance(c.argument, dict) and labels.SLOT in c.argument else c
        for c in branches[1]
    )
    install[at] = Command(labels.TRY_EACH, (branches[0], same))
    return put(labels.INSTALL, tuple(install))(manifest)


def _digest(sequence: Sequence, position: int, data: bytes) -> Sequence:
    """Exchange a component's digest in front of the command at a position."""
    override = Command(labels.OVERRIDE_PARAMETERS, {labels.IMAGE_DIGEST: sha256_digest(data)})
    return (*sequence[:position], override, *sequence[position:])


def _at(sequence: Sequence, code: int) -> int:
    start = next(n for n, c in enumerate(sequence) if c == Command(labels.SET_COMPONENT_INDEX, TABLE))
    return next(n for n, c in enumerate(sequence) if n > start and c.code == code)


def _exchanged(manifest: Manifest) -> Manifest:
    validate = member(manifest, labels.VALIDATE)
    changed = _digest(validate, _at(validate, labels.CONDITION_IMAGE_MATCH), b"another image")
    return put(labels.VALIDATE, changed)(manifest)


def _exchanged_early(manifest: Manifest) -> Manifest:
    """The shared sequence names a digest that install and validate exchange for the right one."""
    for label in (labels.INSTALL, labels.VALIDATE):
        sequence = member(manifest, label)
        right = _digest(sequence, _at(sequence, labels.CONDITION_IMAGE_MATCH), image("table"))
        manifest = put(label, right)(manifest)
    shared = list(manifest.shared)
    old = shared[4 * TABLE + 1].argument
    assert isinstance(old, dict)
    other = {**old, labels.IMAGE_DIGEST: sha256_digest(b"another image")}
    shared[4 * TABLE + 1] = Command(labels.OVERRIDE_PARAMETERS, other)
    return manifest._replace(shared=tuple(shared))


def _left_open(manifest: Manifest) -> Manifest:
    """A try-each ends with the last component of its branch selected, for one reader; for the other as it began."""
    branch: Sequence = (Command(labels.SET_COMPONENT_INDEX, TABLE), Command(labels.CONDITION_IMAGE_MATCH, 15))
    tail = (
        Command(labels.SET_COMPONENT_INDEX, 0),
        Command(labels.TRY_EACH, (branch, branch)),
        Command(labels.OVERRIDE_PARAMETERS, {labels.IMAGE_DIGEST: sha256_digest(image("table"))}),
        Command(labels.CONDITION_IMAGE_MATCH, 15),
    )
    return put(labels.VALIDATE, (*member(manifest, labels.VALIDATE), *tail))(manifest)


def _nothing(manifest: Manifest) -> Manifest:
    here = Command(labels.SET_COMPONENT_INDEX, 0)
    members = {labels.INSTALL: (here, *ASK), labels.VALIDATE: (here, Command(labels.CONDITION_VENDOR, 15))}
    return manifest._replace(members=members)


def _never_fetched(manifest: Manifest) -> Manifest:
    """A version condition for the build of the slot that is not free."""
    other = (
        Command(labels.SET_COMPONENT_INDEX, 1),
        Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: VersionMatch(labels.VERSION_EQUAL, (1, 0, 0))}),
        Command(labels.CONDITION_VERSION, 15),
    )
    return put(labels.VALIDATE, (*member(manifest, labels.VALIDATE), *other))(manifest)


def _version_left_out(manifest: Manifest) -> Manifest:
    """The last component's version is not asked for: the sequence ends where a device looks for more commands."""
    validate = member(manifest, labels.VALIDATE)
    assert validate[-1].code == labels.CONDITION_VERSION
    return put(labels.VALIDATE, validate[:-2])(manifest)


def _out_of_order(manifest: Manifest) -> Manifest:
    """Table and radio have exchanged their places, in the list of components and in each sequence."""
    indices = Command(labels.SET_COMPONENT_INDEX, RADIO), Command(labels.SET_COMPONENT_INDEX, TABLE)

    def exchanged(sequence: Sequence) -> Sequence:
        at = [sequence.index(command) for command in indices]
        end = next((n for n in range(at[1] + 1, len(sequence)) if sequence[n].code == labels.SET_COMPONENT_INDEX), None)
        radio, table = sequence[at[0] + 1 : at[1]], sequence[at[1] + 1 : end]
        behind = () if end is None else sequence[end:]
        return (*sequence[: at[0]], indices[0], *table, indices[1], *radio, *behind)

    components = list(manifest.components)
    components[RADIO], components[TABLE] = components[TABLE], components[RADIO]
    manifest = manifest._replace(components=tuple(components), shared=exchanged(manifest.shared))
    for label in (labels.INSTALL, labels.VALIDATE):
        manifest = put(label, exchanged(member(manifest, label)))(manifest)
    return manifest


def _version_greater(manifest: Manifest) -> Manifest:
    """The last version is asked for by a comparison that a later image passes as well."""
    validate = list(member(manifest, labels.VALIDATE))
    assert validate[-1].code == labels.CONDITION_VERSION
    asked = validate[-2].argument
    assert isinstance(asked, dict)
    assert isinstance(asked[labels.VERSION], VersionMatch)
    other = asked[labels.VERSION]._replace(comparison=labels.VERSION_GREATER_EQUAL)
    validate[-2] = Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: other})
    return put(labels.VALIDATE, tuple(validate))(manifest)


def _one_twice(manifest: Manifest) -> Manifest:
    """The table is validated in place of the radio, and once more in its own place."""
    of = {labels.SET_COMPONENT_INDEX: {RADIO: TABLE}}
    changed = tuple(
        c._replace(argument=of.get(c.code, {}).get(c.argument, c.argument)) if isinstance(c.argument, int) else c
        for c in member(manifest, labels.VALIDATE)
    )
    assert changed != member(manifest, labels.VALIDATE)
    return put(labels.VALIDATE, changed)(manifest)


def _other_command(manifest: Manifest) -> Manifest:
    """Where the last version would be asked for, the last image is looked at again."""
    validate = member(manifest, labels.VALIDATE)
    again = validate[-1]._replace(code=labels.CONDITION_IMAGE_MATCH)
    return put(labels.VALIDATE, (*validate[:-1], again))(manifest)


def _header_alone(manifest: Manifest) -> Manifest:
    """The header block of a detached image, and in place of its payload another component, whose version is not asked for."""

    def without_first(sequence: Sequence, index: int = 1) -> Sequence:
        at = sequence.index(Command(labels.SET_COMPONENT_INDEX, index))
        return tuple(
            c._replace(argument=c.argument - 1)
            if c.code == labels.SET_COMPONENT_INDEX and isinstance(c.argument, int)
            else c
            for c in sequence[at:]
        )

    shared = without_first(manifest.shared)
    install, validate = (without_first(member(manifest, label)) for label in (labels.INSTALL, labels.VALIDATE))
    here = Command(labels.SET_COMPONENT_INDEX, 0)
    members = {
        labels.INSTALL: (here, *ASK, *install),
        labels.VALIDATE: validate[:-2],
    }
    assert validate[-1].code == labels.CONDITION_VERSION
    return manifest._replace(components=manifest.components[1:], shared=shared, members=members)


def _without_plain(payloads: dict[str, bytes]) -> dict[str, bytes]:
    return {key: data for key, data in payloads.items() if key != "#plain.payload"}


def _made(*components: str) -> bytes:
    of = product()
    return make(of, files=[f for f in firmware(of) if f.component in components]).package


def _two_payloads() -> tuple[bytes, str]:
    """A detached header whose payload is fetched twice: the first time one that nobody has signed."""
    raw = _made("plain")
    stranger = bytes(60_000)

    def fetched(manifest: Manifest) -> Manifest:
        install = member(manifest, labels.INSTALL)
        at = next(n for n, c in enumerate(install) if c.code == labels.FETCH) - 1
        first = (Command(labels.OVERRIDE_PARAMETERS, {labels.URI: "#stranger"}), Command(labels.FETCH, 2))
        return put(labels.INSTALL, (*install[:at], *first, *install[at:]))(manifest)

    change: Change = fetched
    assert plain_payload() in raw
    return edited(change, package=raw, payloads=lambda p: {**p, "#stranger": stranger}), "structure.bytes-after-payload"
