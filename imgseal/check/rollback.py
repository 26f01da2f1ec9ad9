"""Anti-rollback of sealed images: the signed counter against the device's. RFC 9124 section 4.2.1."""

from imgseal.check.context import Context, component_named
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.sealed.layout import field

__all__ = ["counter"]


def counter(subject: ImageSubject, context: Context) -> list[Finding]:
    """The image's counter is not below the device's; equal is allowed."""
    statement = subject.statement
    least = context.state.counters.get(statement.component, 0)
    if statement.counter >= least:
        return []
    name = component_named(context.product, statement.component)
    return [
        Finding(
            "rollback.counter-too-low",
            f"the device takes no {name} as old as this",
            Place(key="counter", offset=field("counter").offset),
            expected=f"at least {least}",
            found=str(statement.counter),
            hint=f"release it again with component.{name}.counter = {least} or higher, if it is meant to be installed",
        )
    ]
