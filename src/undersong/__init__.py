"""Undersong: from a hymn in a file to pages an organist can play from.

The rooms, lowest first: errors, model, harmony, textures and playing, arranging and performing,
workers, reading and writing, workflow, and the door cli.
"""

__version__ = "0.1.0"
