"""Undersong: from a hymn in a file to pages an organist can play from.

The rooms, lowest first: errors, model, acoustics, harmony, textures and playing, arranging and
performing, reading and writing, workers, workflow, and the doors cli and web.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("undersong")
except PackageNotFoundError:  # running from a source tree that was never installed
    __version__ = "0"
