"""Anti-rollback of sealed images: the signed counter against the device's. RFC 9124 section 4.2.1."""

from imgseal.check.context import Context, component_named, component_numbered
from imgseal.check.image import ImageSubject, in_statement
from imgseal.check.running import counter_floor
from imgseal.findings import Finding


def counter(subject: ImageSubject, context: Context) -> Finding | None:
    """The image's counter is not below the device's, and one that its storage can be raised to; equal is allowed.

    A device whose storage did not take the counters of what runs goes by those; how far it can rise, by its storage.
    """
    statement = subject.statement
    least = counter_floor(context, statement.component)
    if statement.counter >= least:
        return _out_of_reach(subject, context)
    name = component_named(context.product, statement.component)
    return Finding(
        "rollback.counter-too-low",
        f"the device takes no {name} as old as this",
        in_statement("counter"),
        expected=f"at least {least}",
        found=str(statement.counter),
        hint=f"release it again with component.{name}.counter = {least} or higher, if it is meant to be installed",
    )


def _out_of_reach(subject: ImageSubject, context: Context) -> Finding | None:
    """A counter that the storage cannot hold would never settle; one that is far away by a slip uses the storage up.

    A counter that was never raised is held to no jump: a device starts with what its production line programs.
    """
    statement = subject.statement
    now = context.state.counters.get(statement.component, 0)
    component = component_numbered(context.product, statement.component)
    if component is None:
        return None
    most, why = component.counter_most, "what its storage can hold: counter_steps"
    jump = component.counter_jump
    if jump is not None and now and now + jump < most:
        most, why = now + jump, f"{jump} more than the device has: counter_jump"
    if statement.counter <= most:
        return None
    return Finding(
        "rollback.counter-out-of-reach",
        f"the device's counter of {component.name} cannot or may not rise to this",
        in_statement("counter"),
        expected=f"at most {most} ({why})",
        found=str(statement.counter),
        hint=f"component.{component.name}.counter = the number before plus one is enough to lock older code out; "
        'counter_storage = "value" is for storage that holds a number',
    )
