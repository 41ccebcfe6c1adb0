"""Hands and feet: what can be played, and which hand takes what."""

from undersong.playing.check import check
from undersong.playing.hands import Part, Shared, share

__all__ = ["Part", "Shared", "check", "share"]
