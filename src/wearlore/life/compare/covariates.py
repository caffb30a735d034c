"""What lives are compared by: factors and measures, and the design that a regression takes from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlore.errors import FitError
from wearlore.lives import Array

Codes = NDArray[np.int64]
SAME = 1e-9  # columns nearer to a combination of the others than this share of their length are one


@dataclass(frozen=True, slots=True)
class Factor:
    """A covariate with levels, one of them for each life; ``codes`` (n,) are places in ``levels``, -1 if not known.

    ``reference``: the level that the others are compared with; None: the one with most failures (then most lives).
    """

    name: str
    levels: tuple[str, ...]
    codes: Codes
    reference: str | None = None

    def __post_init__(self) -> None:
        codes = np.ascontiguousarray(self.codes, dtype=np.int64)
        codes.setflags(write=False)
        object.__setattr__(self, "codes", codes)
        if len(set(self.levels)) != len(self.levels):
            raise ValueError(f"{self.name}: two levels of one name")
        if self.reference is not None and self.reference not in self.levels:
            raise ValueError(f"{self.name}: the reference {self.reference!r} is not one of its levels")
        if codes.size and not -1 <= codes.min() <= codes.max() < len(self.levels):
            raise ValueError(f"{self.name}: a code that stands for no level")


@dataclass(frozen=True, slots=True)
class Measure:
    """A covariate with a number for each life, ``values`` (n,) in ``unit``, NaN if not known.

    Its ratio of lives is per ``step`` more of it; b0 is of a life whose value is ``centre``.
    """

    name: str
    values: Array
    unit: str
    step: float
    centre: float = 0.0

    def __post_init__(self) -> None:
        values = np.ascontiguousarray(self.values, dtype=np.float64)
        values.setflags(write=False)
        object.__setattr__(self, "values", values)
        if not (np.isfinite(self.step) and self.step > 0 and np.isfinite(self.centre)):
            raise ValueError(f"{self.name}: expected a positive step and a finite centre")

    @property
    def step_name(self) -> str:
        """``10,000 km more``."""
        return " ".join(f"{self.step:,.12g} {self.unit} more".split())


Covariate = Factor | Measure


@dataclass(frozen=True, slots=True)
class Design:
    """Covariates of n lives, equal lives folded: ``group`` (n,) is each life's place among the rows of ``columns``.

    ``columns`` (groups, p): 1, then an indicator of each level but the first seen of a factor, and each measure less
    its mean over its standard deviation (of the groups), as ``means`` and ``spreads`` hold by covariate.
    ``places``: by covariate, the column of each level (None: the first seen, or not seen) or of the measure.
    """

    covariates: tuple[Covariate, ...]
    group: Codes
    columns: Array
    places: tuple[tuple[int | None, ...], ...]
    means: tuple[float, ...]
    spreads: tuple[float, ...]

    @classmethod
    def of(cls, covariates: Sequence[Covariate], n: int) -> Design:
        """Raises FitError when a value is not known, nothing varies, or covariates cannot be told apart."""
        if len({each.name for each in covariates}) != len(covariates):
            raise ValueError("two covariates of one name")
        rows = [_checked(each, n) for each in covariates]
        group, first = _grouped(rows, n)
        columns: list[Array] = [np.ones(first.size)]
        places, means, spreads = [], [], []
        for each, values in zip(covariates, rows, strict=True):
            at, mean, spread = values[first], 0.0, 1.0
            if isinstance(each, Factor):
                seen = np.unique(at)[1:].tolist()
                place = {code: len(columns) + k for k, code in enumerate(seen)}
                columns += [(at == code).astype(np.float64) for code in seen]
                places.append(tuple(place.get(code) for code in range(len(each.levels))))
            else:
                mean, spread = float(at.mean()), float(at.std())
                places.append((len(columns),))
                columns.append(np.asarray((at - mean) / spread))
            means.append(mean)
            spreads.append(spread)
        design = cls(tuple(covariates), group, np.column_stack(columns), tuple(places), tuple(means), tuple(spreads))
        design._refuse_what_cannot_be_told_apart()
        return design

    @property
    def groups(self) -> int:
        return int(self.columns.shape[0])

    def without(self, term: str) -> Design:
        """The design of the other covariates."""
        return Design.of([each for each in self.covariates if each.name != term], self.group.size)

    def where(self, mask: NDArray[np.bool_]) -> Design:
        """The design of the lives for which ``mask`` (n,) holds."""
        return Design.of([_part(each, mask) for each in self.covariates], int(mask.sum()))

    def centre(self, references: Sequence[int]) -> Array:
        """b0 as weights (p,) of the columns' coefficients; ``references``: by covariate, the code of its reference."""
        weights = np.zeros(self.columns.shape[1])
        weights[0] = 1.0
        for k, each in enumerate(self.covariates):
            if isinstance(each, Measure):
                weights[self.places[k][0]] = (each.centre - self.means[k]) / self.spreads[k]
            else:
                weights += self._level(k, references[k])
        return weights

    def contrast(self, k: int, code: int, against: int) -> Array:
        """ln ratio of lives, level ``code`` to level ``against`` of covariate ``k``, as weights of the coefficients."""
        return self._level(k, code) - self._level(k, against)

    def slope(self, k: int) -> Array:
        """ln ratio of lives per step of the measure ``k``, as weights of the coefficients."""
        each, weights = self.covariates[k], np.zeros(self.columns.shape[1])
        assert isinstance(each, Measure)
        weights[self.places[k][0]] = each.step / self.spreads[k]
        return weights

    def _level(self, k: int, code: int) -> Array:
        weights, place = np.zeros(self.columns.shape[1]), self.places[k][code]
        if place is not None:
            weights[place] = 1.0
        return weights

    def _refuse_what_cannot_be_told_apart(self) -> None:
        lengths = np.linalg.norm(self.columns, axis=0)
        _, values, vectors = np.linalg.svd(np.linalg.qr(self.columns / lengths, mode="r"))
        if (same := values < SAME).any():
            mixed = (np.abs(vectors[same]) > 1e-6).any(axis=0)
            names = [
                each.name
                for each, places in zip(self.covariates, self.places, strict=True)
                if any(place is not None and mixed[place] for place in places)
            ]
            raise FitError(
                f"{' and '.join(names)} cannot be told apart: among these lives one follows from the other",
                "Leave one of them out, or join levels",
            )


def _checked(each: Covariate, n: int) -> Array | Codes:
    values: Array | Codes = each.codes if isinstance(each, Factor) else each.values
    if values.shape != (n,):
        raise ValueError(f"{each.name}: expected one value for each of {n} lives")
    known = values >= 0 if isinstance(each, Factor) else np.isfinite(values)
    if missing := int((~known).sum()):
        raise FitError(
            f"{each.name} of {missing:,} of {n:,} lives is not known", "Leave these lives out, or give it a level"
        )
    distinct = values.min() < values.max() if n else False
    if not distinct:
        only = "" if not n else f": {each.levels[values[0]] if isinstance(each, Factor) else f'{values[0]:.6g}'}"
        raise FitError(f"all lives have one {each.name}{only}", "Leave it out: there is nothing to compare")
    return values


def _grouped(rows: Sequence[Array | Codes], n: int) -> tuple[Codes, Codes]:
    """The group of every life, equal ones together, and the first life of each group."""
    group = np.zeros(n, dtype=np.int64)
    for values in rows:
        distinct, place = np.unique(values, return_inverse=True)
        _, group = np.unique(group * np.int64(distinct.size) + place, return_inverse=True)
    _, first = np.unique(group, return_index=True)
    return group, first


def _part(each: Covariate, mask: NDArray[np.bool_]) -> Covariate:
    if isinstance(each, Factor):
        return Factor(each.name, each.levels, each.codes[mask], each.reference)
    return Measure(each.name, each.values[mask], each.unit, each.step, each.centre)
