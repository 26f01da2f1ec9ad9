"""A time limit for each test: what hangs is a failed test, not a run that never ends.

`SIGALRM` ends what Python can leave: loops, locks, sockets, waiting for a process. What hangs inside a C library ends with its process, by
`faulthandler_timeout` in pyproject.toml, which prints where it hung; pytest-xdist says which test that was and goes on with a new process.
"""

import signal
from collections.abc import Generator
from types import FrameType

import pytest

__all__ = ["TimeLimit", "add_options"]

_AGAIN = 1.0
"""Seconds until the next alarm: cleaning up after the first one can hang as well."""


def add_options(parser: pytest.Parser) -> None:
    parser.addini("test_seconds", "seconds that a test may take, each of set-up, call and tear-down", default="300")


class TimeLimit:
    """Fails a test that takes longer than `test_seconds`, or than its mark `seconds(n)` allows."""

    def __init__(self, config: pytest.Config) -> None:
        self._usual = float(config.getini("test_seconds"))

    def _limited(self, item: pytest.Item) -> Generator[None, object, object]:
        mark = item.get_closest_marker("seconds")
        limit = self._usual if mark is None else float(mark.args[0])

        def too_long(_number: int, _frame: FrameType | None) -> None:
            pytest.fail(f"took longer than {limit:g} seconds (tests/time_limit.py)")

        before = signal.signal(signal.SIGALRM, too_long)
        signal.setitimer(signal.ITIMER_REAL, limit, _AGAIN)
        try:
            return (yield)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, before)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        return (yield from self._limited(item))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, object, object]:
        return (yield from self._limited(item))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_teardown(self, item: pytest.Item) -> Generator[None, object, object]:
        return (yield from self._limited(item))
