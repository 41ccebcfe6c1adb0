"""Which stops to draw: recipes for solo, accompaniment, chorus and pedal, and whether the tune is clear with them."""

from undersong.registration.choose import register

__all__ = ["register"]
