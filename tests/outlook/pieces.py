"""Units made up for tests: any mixture of lives, ages, leads and faults."""

from __future__ import annotations

import numpy as np

from wearlore.renewal import Process, Span
from wearlore.renewal.equation import worth_new
from wearlore.renewal.upkeep import Renewable, Upkeep

KM = 100e3
SPAN = Span(KM, 0.0, 400)


def unit(
    name: str,
    scale=60e3,
    shape=2.0,
    *,
    age=0.0,
    seen=None,
    cost=500.0,
    beyond=100.0,
    lognormal=False,
    hidden=False,
    lead=(0.0, 0.0),
    present=0.0,
    start=0.0,
    rate=1.0,
    stranded=0.0,
    damaging=False,
) -> Renewable:
    """One unit; each figure of a mode may be a tuple, one for each mode, or (d, m) for the life's scale."""
    scale = np.atleast_2d(np.asarray(scale, float))
    modes = scale.shape[1]

    def each(x):
        return np.broadcast_to(np.asarray(x, float), (modes,)).copy()

    process = Process(
        np.log(scale),
        np.broadcast_to(1 / each(shape), scale.shape).copy(),
        each(lognormal).astype(bool),
        each(cost),
        each(rate),
        np.ones(modes),
    )
    ages = np.broadcast_to(each(age), scale.shape).copy()
    return Renewable(
        unit=name,
        modes=tuple(f"{name}-{m}" for m in range(modes)),
        remedy=name,
        fitted=process,
        fresh=process,
        consequence=each(beyond),
        age=ages,
        seen=ages if seen is None else np.broadcast_to(each(seen), scale.shape).copy(),
        start=each(start),
        worth=worth_new(process, each(start), SPAN),
        money=0.0,
        needs=frozenset({name}),
        present=each(present),
        lead=np.broadcast_to(np.asarray(lead, float), (modes, 2)).copy(),
        hidden=each(hidden).astype(bool),
        stranded=each(stranded),
        damaging=each(damaging).astype(bool),
    )


def several(draws: int = 4) -> list[Renewable]:
    """A bit of everything; one cost for all modes of a unit beside their consequences."""
    rng = np.random.default_rng(7)

    def scales(km, modes=1):
        return km * np.exp(0.15 * rng.standard_normal((draws, modes)))

    return [
        unit("belt", scales(45e3), 3.0, age=20e3, cost=300.0),
        unit("pump", scales(150e3), 2.2, age=90e3, cost=640.0, lognormal=False),
        unit("hose", scales(80e3), 1.8, age=60e3, seen=20e3, cost=210.0, hidden=True, beyond=0.0),
        unit("chain", scales(180e3), 3.5, age=140e3, seen=100e3, cost=2600.0, hidden=True, lead=(30e3, 0.5)),
        unit("turbo", scales(120e3, 2), (2.0, 3.0), age=50e3, cost=(1600.0, 1400.0), beyond=(400.0, 200.0)),
        unit("sensor", scales(90e3), 1.6, cost=240.0, lognormal=True, age=10e3),
        unit("seal", scales(100e3), 2.0, cost=900.0, age=70e3, present=0.35),
        unit("plug", scales(70e3), 2.0, cost=130.0, age=30e3, present=1.0, beyond=30.0),
        unit("mount", scales(60e3), 2.0, cost=220.0, start=25e3, age=5e3),
    ]


def upkeep_of(units: list[Renewable], discount: float = 0.0) -> Upkeep:
    """Units that share no step: the visit of each costs what its failure does beside the consequence."""
    n = len(units)
    price = {item.unit: float((item.fitted.cost - item.consequence)[0]) for item in units}
    return Upkeep(tuple(units), price, dict.fromkeys(price, 0.0), np.zeros((n, n), bool), Span(KM, discount, 400))
