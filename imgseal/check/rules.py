"""Rules of the product file that a sealed image has to keep."""

from imgseal.check.context import Context, component_named
from imgseal.check.image import ImageSubject, in_statement
from imgseal.check.runner import NO_DUMP, NotRun
from imgseal.check.running import fielded, serves
from imgseal.device_state.fielded import LOG
from imgseal.findings import Finding
from imgseal.formats.sealed_image.layout import CODE
from imgseal.formats.sealed_image.statement import Need


def development(subject: ImageSubject, context: Context) -> Finding | None:
    """The signed development flag and the kind of key agree, and a release judgement takes neither."""
    flagged = subject.statement.development
    place = in_statement("flags")
    if flagged and not context.development:
        return Finding(
            "rules.development-image",
            "a development image cannot be released",
            place,
            expected="an image without the development flag",
            found="the development flag is set",
            hint="make it again with imgseal build --release; at a desk imgseal check --development takes it",
        )
    by_development_key = [anchor.source for _, anchor in subject.candidates if anchor.development]
    if by_development_key and not flagged:
        return Finding(
            "rules.development-mixed",
            "a development key has signed an image that is not marked as development",
            place,
            expected="the development flag, or a release key",
            found=f"signed by {by_development_key[0]}",
            hint="build it again with imgseal build --release, or without --release for the desk",
        )
    return None


def external_code(subject: ImageSubject, context: Context) -> Finding | None:
    """Code runs from untrusted (external) memory only where the product file accepts that.

    What lies in external flash can change between check and use; RFC 9124 section 4.2.18 THREAT.MFST.TOCTOU.
    """
    statement = subject.statement
    slot = subject.slot(context.product)
    if statement.kind != CODE or slot is None or context.product.rules.external_code == "accept":
        return None
    memory = context.product.memories[context.product.slots[slot.name].memory]
    if memory.trusted:
        return None
    return Finding(
        "rules.external-code",
        f"code would run from {memory.name}, which is not trusted",
        in_statement("link_address"),
        expected="a run slot in trusted memory",
        found=f"slot {slot.name} in {memory.name}",
        hint='give it a run slot in internal flash; rules.external_code = "accept" takes the risk',
    )


def requirements(subject: ImageSubject, context: Context) -> list[Finding] | NotRun:
    """Each requirement is met in the resulting set: by the package's image, else by what the device runs.

    Only a device or a release log can say which bootloader there is in the field: no package brings one.
    """
    findings, beside, open_ = [], [], []
    known = fielded(context)
    nothing_known = known.source != LOG and known.oldest is None and context.whole_set
    for need in subject.statement.needs:
        name = component_named(context.product, need.component)
        version = context.versions.get(need.component)
        if need.component == 0 and version is None:
            served = serves(known, need)
            if served is False or (served is None and nothing_known):
                findings.append(_not_met(name, need, str(known)))
            elif served is None:
                open_.append(f"needs {name} {need}: open, whether every device in the field has one")
        elif version is None and not context.whole_set:
            beside.append(f"{name} {need}")
        elif version is None or not need.met_by(version):
            findings.append(_not_met(name, need, f"{name} {version}" if version else f"no {name} in the set"))
    if beside:
        open_.insert(0, f"needs {', '.join(beside)} beside it: only the whole set can tell")
    if open_ and not findings:
        return NotRun("; ".join(open_), mandatory=False)
    return findings


def _not_met(name: str, need: Need, found: str) -> Finding:
    return Finding(
        "rules.requirement-not-met",
        f"this image does not run beside the {name} of the resulting set",
        in_statement("need_components"),
        expected=f"{name} {need}",
        found=found,
        hint=(
            f"put a fitting {name} into the package, or judge for a device that has one: imgseal check --device FILE"
            if need.component
            else "no package brings a bootloader: ask for less, or judge for a device that has one: imgseal check "
            "--device FILE; [bootloader] version in the product file states what devices leave the factory with"
        ),
    )


def staged(_subject: ImageSubject, context: Context) -> Finding | NotRun | None:
    """A sealed image that waits in a staging or keep slot is taken only through its package."""
    if context.slot is None:
        return NO_DUMP
    if all(context.slot not in (c.staging, c.keep) for c in context.product.components.values()):
        return None
    return Finding(
        "rules.no-package",
        f"{context.slot} is no run slot: what waits there is installed through its package only",
        expected="the package that brought it, or the dump of a run slot",
        found=f"a bare sealed image in {context.slot}",
        hint="judge the package: imgseal check PACKAGE.suit",
    )
