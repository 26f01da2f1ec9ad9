"""Times for people: build times are seconds since 1970 in images and logs, and dates wherever they are shown."""


def utc(seconds: int) -> str:
    """Return a time in seconds since 1970 as an ISO 8601 date in UTC."""
    from datetime import UTC, datetime  # noqa: PLC0415 - only where something is shown

    try:
        return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (OverflowError, ValueError, OSError):  # SOURCE_DATE_EPOCH may name a year that no calendar here has
        return f"second {seconds}"
