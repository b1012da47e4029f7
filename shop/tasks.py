"""Background tasks of the project itself; loaded at start so that they are registered."""

from shop.background.work import purge_background

__all__ = ["purge_background"]
