"""One thing to look at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing to look at.

    >>> print(Doubt("lap-pool", "the lamps are dark when the board is dead", "wire them normally closed"))
    lap-pool: the lamps are dark when the board is dead: wire them normally closed
    """

    where: str
    what: str
    remedy: str
    of_every_site: bool = False
    """A caution that holds for every site, whatever its files say."""

    def __str__(self) -> str:
        """One plain line."""
        return f"{self.where}: {self.what}: {self.remedy}"
