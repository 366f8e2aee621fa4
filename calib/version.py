"""Which version of Truebead this is, as written into what it keeps."""

from functools import cache


@cache
def version() -> str:
    """Return the installed version, or "unknown" where the code runs without being installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("truebead")
    except PackageNotFoundError:
        return "unknown"
