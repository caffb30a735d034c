"""Where each thing of a book was written: path in the book -> file and line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """One line of one file."""

    file: str
    line: int


@dataclass(frozen=True, slots=True)
class Source:
    """The files a book was read from. Empty for a book made in Python: every place is then line 0 of ``<book>``."""

    places: Mapping[Path, Place] = field(default_factory=dict)

    def at(self, path: Path) -> Place:
        """The place of ``path``, or of the nearest thing above it that was written."""
        for length in range(len(path), -1, -1):
            if (place := self.places.get(path[:length])) is not None:
                return place
        return Place("<book>", 0)


def spell(path: Path) -> str:
    """``modes.chain-stretch.belief.quantiles[0].at``"""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return text.removeprefix(".") or "(book)"
