"""Vans that come in with something to be traced, and what is truly wrong with them.

A van is driven on from its last recorded visit; what is wrong with it is then what the simulator knows. What that
brings about is drawn from the book's own observation model, so the book's chances are true here. The driver tells all
that shows by itself, and of a part of the rest that it is not there. A van comes in when there is anything to tell:
nothing else selects it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass

import numpy as np

from wearlore.demo.van import Van
from wearlore.records.store import Store
from wearlore.records.summary import usual_leg
from wearlore.trace import Case, Look, Told
from wearlore.workbench import Workbench
from wearlore.workbench.tracing import Tracing

NOTICED = ("lamp", "noise", "smoke", "smell", "behaviour", "level-loss")  # kinds, without looking for them
DENIED = 0.5  # share of what he does not notice of which the driver is asked, and says that it is not there


@dataclass(frozen=True, slots=True)
class Complaint:
    """A van that came in. ``present``: the causes truly there. ``told`` by the driver.

    ``shows``: (inspection, observation or cause) -> whether that inspection says it is there.
    """

    present: frozenset[str]
    told: tuple[Told, ...]
    shows: Mapping[tuple[str, str], bool]

    def seen(self, look: Look) -> tuple[Told, ...]:
        """What an inspection shows."""
        return tuple(Told(s.about, self.shows[look.name, s.about], by=look.name) for s in look.sights)


def visits(
    bench: Workbench, vans: Iterable[Van], *, at_notice: bool = False, rng: np.random.Generator
) -> Iterator[tuple[Tracing, frozenset[str]]]:
    """Each of ``vans`` driven on: traced by the records that ``bench`` holds of it, and the causes truly there.

    The distance is drawn evenly up to the usual one between its visits; ``at_notice``: it is instead the one at which
    an evident failure makes itself known, and vans in which none does so within the usual distance are left out.
    """
    with Store.open(bench.store_path, read_only=True) as store:
        for van in vans:
            leg = usual_leg(store, van.facts.id) or bench.book.economics.per_year / 2
            distance = np.ceil(van.notice.min() - van.km) if at_notice else rng.uniform(0.0, leg)
            if distance <= leg:
                yield bench.tracing(van.facts.id, km=van.km + int(distance)), driven_on(van, int(distance))


def driven_on(van: Van, distance: int) -> frozenset[str]:
    """Causes that are there, ``MODE`` or ``MODE@POSITION``, ``distance`` km after the van's last visit."""
    later = copy(van)
    later.km += distance
    layout = later.layout
    places = (layout.position[unit] for unit in layout.unit)
    names = (f"{mode}@{place}" if place else mode for mode, place in zip(layout.mode, places, strict=True))
    return frozenset(name for slot, name in enumerate(names) if later.failed(slot))


def complaint(
    tracing: Tracing, present: frozenset[str], *, denied: float = DENIED, rng: np.random.Generator
) -> Complaint | None:
    """What the driver tells and what each inspection would show; None: there is nothing to tell, it does not come in.

    ``denied``: share of what the driver could notice and did not, of which he says so.
    """
    case = tracing.case
    there = present | drawn_findings(case, present, rng=rng)
    noticeable = [id_ for id_, observation in case.book.observations.items() if observation.kind in NOTICED]
    asked = rng.random(len(noticeable)) < denied
    told = tuple(Told(id_, id_ in there) for id_, ask in zip(noticeable, asked, strict=True) if ask or id_ in there)
    if not any(one.present for one in told):
        return None
    shows = {}
    for look in tracing.means.looks(()):
        for sight in look.sights:
            chance = sight.sensitivity if sight.about in there else 1.0 - sight.specificity
            shows[look.name, sight.about] = bool(rng.random() < chance)
    return Complaint(present, told, shows)


def drawn_findings(case: Case, present: frozenset[str], *, rng: np.random.Generator) -> frozenset[str]:
    """What the causes that are ``present`` bring about, drawn from the network downstream, leaks counted in."""
    there = set(present)
    for finding in case.network.findings:
        absent = 1.0 - finding.leak
        for edge in finding.edges:
            if edge.parent in there:
                absent *= 1.0 - edge.chance
        if rng.random() >= absent:
            there.add(finding.name)
    return frozenset(there - present)


def looked_at(tracing: Tracing, come: Complaint, looks: int, *, rng: np.random.Generator) -> tuple[Told, ...]:
    """What is told after as many ``looks``, chosen by chance."""
    told = come.told
    for _ in range(looks):
        able = tracing.means.looks(told)
        told += come.seen(able[rng.integers(len(able))])
    return told
