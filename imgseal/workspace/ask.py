"""Asks a person at the terminal for what does not show while it is typed."""

import sys


def ask_secret(question: str) -> str:
    """Return what was typed, asking again where that is nothing; KeyboardInterrupt where there is nobody any more."""
    from getpass import getpass

    try:
        while not (answer := getpass(f"{question}: ", stream=sys.stderr)):
            pass
    except EOFError:
        raise KeyboardInterrupt from None
    return answer
