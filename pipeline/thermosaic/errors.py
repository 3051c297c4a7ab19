"""Everything that can go wrong for a user, on one page.

An error says what was found, where, what was expected with its unit, and what to do. The command line
turns each class into its exit code; a traceback is shown only on request.
"""

from __future__ import annotations


class ThermosaicError(Exception):
    """Root of all errors that a user can meet; `exit_code` is what the command returns."""

    exit_code = 1


class ConfigError(ThermosaicError, ValueError):
    """The lot file, a rule profile, a format file or the command line is wrong."""

    exit_code = 2


class InputError(ThermosaicError, ValueError):
    """A log or side file cannot be used: missing, unreadable, mostly rejected, too large."""

    exit_code = 3


class MismatchError(ThermosaicError, ValueError):
    """Inputs are each readable but do not belong together: other day, other place, other clock."""

    exit_code = 4


class ProductError(ThermosaicError, RuntimeError):
    """A product failed its own check, or the surroundings refused: space, permission, lock."""

    exit_code = 5
