"""Which pages does a venue see? `create_app` makes them; they only look, nothing is changed from here."""

from web.app import create_app

__all__ = ["create_app"]
