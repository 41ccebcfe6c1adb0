"""Undersong: from a hymn in a file to pages an organist can play from.

The rooms, lowest first: errors, model, harmony, textures and playing, arranging and performing,
workers, reading and writing, workflow, and the door cli.
"""


def __getattr__(name: str) -> str:
    """Look the version up when it is asked for; the look-up is slower than much of the work."""
    if name != "__version__":
        raise AttributeError(name)
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

    try:
        return version("undersong")
    except PackageNotFoundError:  # a source tree that was never installed
        return "0"
