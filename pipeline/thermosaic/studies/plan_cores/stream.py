"""Random numbers of four digits, as printed tables of random numbers have them, that anyone can make again."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import count

DIGITS = 4
STEPS = 10**DIGITS


def seeded(seed: str, lot_id: str) -> Iterator[float]:
    """Give the stream of a seed and a lot: number k is made of the SHA-256 of the text "SEED LOT k".

    The first 12 hexadecimal digits of the digest are read as a whole number; its last four decimal digits are
    the random number. Any program that knows SHA-256 (FIPS 180-4) gives the same, on a command line
    `printf '%s' 'SEED LOT 1' | sha256sum`. That 16^12 is no multiple of 10,000 favours no number by more than
    one part in 10^10.

    >>> stream = seeded("A-17", "LOT-1")
    >>> [f"{next(stream):.4f}" for _ in range(3)]
    ['0.7238', '0.9104', '0.2265']
    """
    for number in count(1):
        digest = hashlib.sha256(f"{seed} {lot_id} {number}".encode()).hexdigest()
        yield int(digest[:12], 16) % STEPS / STEPS


def seed_words(seed: str, lot_id: str) -> str:
    """Say how the stream of a seed and a lot is made, so that it can be made without this program."""
    return (
        f'number k is made of the SHA-256 of the text "{seed} {lot_id} k" (seed, lot, k = 1, 2, ..): its first 12 '
        "hexadecimal digits read as a whole number, of which the last four decimal digits count"
    )


def listed(numbers: tuple[float, ...]) -> Iterator[float]:
    """Give an agency's own numbers in their order; ValueError once they are used up."""
    yield from numbers
    raise ValueError(
        f"the list holds {len(numbers)} random numbers and more are needed, two for each site and for each site "
        "drawn again: give a longer list"
    )
