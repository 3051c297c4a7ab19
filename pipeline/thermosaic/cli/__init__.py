"""The command line; `entry` is the way in, each room holds the commands of one occasion. Only here is printed."""

from .entry import app, main

__all__ = ["app", "main"]
