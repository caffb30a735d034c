"""The main job on real records: three open data sets from file to life model, chart and, for one bus, job card.

Run it with ``make open-data`` (or ``python examples/open-data/run.py [FOLDER]``). Each data set has a folder with a
small book and its records; their sources stand at the head of the record files. Lives are real. Hours, prices and
judgement are illustrative, and the books say so.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from datetime import date
from math import log
from pathlib import Path

from wearlore.life import WEIBULL, fit
from wearlore.report.card import job_card
from wearlore.report.charts import save, study_drawings
from wearlore.report.lives import mode_study
from wearlore.report.owner import estimate, owner_page
from wearlore.report.page import to_html
from wearlore.report.pdf import to_pdf
from wearlore.report.plain import to_text
from wearlore.report.visit import visit_scope
from wearlore.workbench import Workbench

HERE = Path(__file__).parent
MADE_ON = date(2026, 11, 25)


@dataclass(frozen=True)
class DataSet:
    """One data set, and what is published of the Weibull fit to it (log-likelihood in the data's own unit)."""

    name: str
    mode: str
    source: str
    shape: float
    scale: float
    log_likelihood: float


DATA_SETS = (
    DataSet("buses", "engine-worn-out", "Rust (1987), bus group 4", 4.472398, 302_633.4, -422.73749),
    DataSet("shock-absorbers", "damping-lost", "O'Connor (1985)", 3.160470, 27_718.72, -123.99536),
    DataSet("valve-seats", "valve-seat-burnt", "Nelson & Doganaksoy (1989)", 1.399579, 553.6430, -346.49030),
)
BUS = "5297"  # its second engine had run 158,450 miles when last seen


@dataclass(frozen=True)
class Outcome:
    """What came out beside what is published, in the data's own unit."""

    data: DataSet
    shape: float
    scale: float
    log_likelihood: float
    failures: float
    lives: float
    unit: str


def laid_out(data: DataSet, folder: Path) -> Workbench:
    """The data set's book and store in a folder of their own."""
    home = folder / data.name
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir(parents=True)
    shutil.copy(HERE / data.name / "book.yaml", home)
    bench = Workbench(home, group_km=1)
    bench.take([HERE / data.name / "vehicles.csv", HERE / data.name / "lines.csv"], today=MADE_ON)
    return bench


def outcome(data: DataSet, bench: Workbench) -> Outcome:
    """The maximum-likelihood Weibull of the data set's lives."""
    lives = bench.lifetimes.modes[data.mode].lives
    fitted, km = fit(lives, WEIBULL), bench.book.units.to_km(1)
    likelihood = fitted.log_likelihood + lives.failures * log(km)  # densities per km -> per the data's own unit
    return Outcome(
        data, fitted.shape, fitted.scale / km, likelihood, lives.failures, lives.total, bench.book.units.distance
    )


def show_mode(data: DataSet, bench: Workbench) -> None:
    """Judgement and record side by side, and the chart."""
    study = bench.study(data.mode)
    print(to_text(mode_study(study, bench.book.units, MADE_ON)))
    chart = bench.folder / f"{data.mode}.svg"
    (survival,) = study_drawings(study, bench.book.units)
    save(survival.chart, chart, survival.text)
    print(f"Chart: {chart}\n")


def show_bus(bench: Workbench) -> None:
    """Its engine is found worn out: scope, job card, estimate and owner's page."""
    units = bench.book.units
    visit = bench.scope(BUS, ["engine-worn-out"])
    print(to_text(visit_scope(visit, units, MADE_ON)))
    job = bench.job(visit)
    sheets = [
        job_card(job.card, units, MADE_ON),
        estimate(job.card.estimate, units, MADE_ON),
        owner_page(job.owner, units, MADE_ON),
    ]
    print(to_text(sheets[0]))
    (bench.folder / f"bus-{BUS}.html").write_text(to_html(sheets), encoding="utf-8")
    (bench.folder / f"bus-{BUS}.pdf").write_bytes(to_pdf(sheets))
    print(f"Papers: {bench.folder / f'bus-{BUS}.pdf'}\n")


def main(folder: Path) -> tuple[Outcome, ...]:
    outcomes = []
    for data in DATA_SETS:
        bench = laid_out(data, folder)
        outcomes.append(outcome(data, bench))
        show_mode(data, bench)
        if data.name == "buses":
            show_bus(bench)
    print(f"{'Weibull by maximum likelihood':32}{'shape':>10}{'published':>11}{'scale':>12}{'published':>11}  unit")
    for out in outcomes:
        data = out.data
        print(f"{data.source:32}{out.shape:10.4f}{data.shape:11.4f}{out.scale:12,.1f}{data.scale:11,.1f}  {out.unit}")
    return tuple(outcomes)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("wearlore-open-data"))
