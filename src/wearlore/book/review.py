"""Findings beyond shape: does the book make sense?

Pure: a book and where it was written in, findings out. `load.load` refuses a book with a finding of severity "error".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from wearlore.book import diagnosis, labour, paragraphs, references, supply
from wearlore.book.model import Book
from wearlore.book.remark import Remark, Severity
from wearlore.book.source import Source, spell

CHECKS: tuple[Callable[[Book], Iterator[Remark]], ...] = (
    references.unknown_names,
    references.cycles,
    references.unused_names,
    diagnosis.components,
    diagnosis.modes,
    diagnosis.beliefs,
    diagnosis.leads,
    diagnosis.observations,
    diagnosis.inspections,
    diagnosis.flows,
    labour.unneeded_operations,
    labour.each_position,
    labour.engine_states,
    labour.fasteners,
    labour.tools,
    labour.cautions,
    labour.bars,
    supply.remedies,
    supply.idle_remedies,
    supply.parts_named_twice,
    supply.offers,
    supply.dates,
    supply.distances,
    supply.oils,
    paragraphs.paragraphs,
)
ORDER: tuple[Severity, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing in a book that does not make sense.

    error: certainly wrong, nothing computes with such a book. warning: looks wrong. note: worth knowing.
    """

    severity: Severity
    file: str
    line: int
    path: str
    expected: str
    mend: str

    @property
    def message(self) -> str:
        return f"expected {self.expected}"

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.severity}: {self.path}: {self.message}. {self.mend}".rstrip()


def review(book: Book, source: Source) -> tuple[Finding, ...]:
    """All findings, errors first, then as they stand in the files."""
    findings = [_finding(remark, source) for check in CHECKS for remark in check(book)]
    return tuple(sorted(findings, key=lambda f: (ORDER.index(f.severity), f.file, f.line, f.path)))


def _finding(remark: Remark, source: Source) -> Finding:
    place = source.at(remark.path)
    return Finding(remark.severity, place.file, place.line, spell(remark.path), remark.expected, remark.mend)
