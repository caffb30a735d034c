"""Whether forecasts held, and what traces said."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt
from urllib.parse import quote

from fastapi import Request
from nicegui import ui

from wearlore.answers import FamilyHindsight, TraceCalibration
from wearlore.answers.hindsight import ModeHindsight
from wearlore.report import calibration as traced
from wearlore.report import hindsight as words
from wearlore.report.charts import calibration_drawings, hindsight_drawings
from wearlore.report.sheet import Bullets, Figure, chance_told
from wearlore.units import show_share
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.frame import frame
from wearlore.web.latest import Latest
from wearlore.web.parts import tag
from wearlore.web.said import Said, keep_address
from wearlore.web.sheets import figures, folded
from wearlore.workbench import Workbench
from wearlore.workbench.hindsights import USUAL

OFFERED = {"6m": "6 months", "12m": "12 months", "18m": "18 months", "24m": "2 years", "36m": "3 years"}
Drawn = Mapping[str, Figure]


def create(desk: Desk) -> None:
    """Make the page known."""

    @ui.page("/hindsight")
    async def hindsight(request: Request) -> None:
        with frame(desk, "Did forecasts hold?", section="hindsight"):
            _Page(desk, Said.of(request)).show()


class _Page:
    """One visitor's page: what is held out, and the places of the two answers."""

    def __init__(self, desk: Desk, said: Said) -> None:
        self.desk, self.said, self.units = desk, said, desk.units

    def show(self) -> None:
        held_out = self.said.one("hold-out", USUAL)
        with parts.panel(classes="asking"), tag("div", classes="controls"):
            offered = OFFERED if held_out in OFFERED else {**OFFERED, held_out: held_out}
            parts.choice("Newest records held out, then forecast", offered, held_out, self.hold_out)
        self.latest = Latest(self.desk, "Forecasting what was held out")
        with tag("section", classes="panel traces"):
            tag("h2", "What traces said, and what was found")
            self.traces = Latest(self.desk, "Reading what traces said")
        self.ask()
        self.traces.ask(self._traced, self.draw_traces, key=("calibration", "drawn"), long=False)

    def hold_out(self, held_out: str) -> None:
        self.said = self.said.but(hold_out=held_out)
        keep_address(self.said)
        self.ask()

    def ask(self) -> None:
        held_out = self.said.one("hold-out", USUAL)

        def question(bench: Workbench) -> tuple[FamilyHindsight, Drawn]:
            found = bench.hindsight(held_out)
            return found, figures(hindsight_drawings(found)[1:])

        self.latest.ask(question, self.draw, key=("hindsight", "drawn", held_out))

    # ----------------------------------------------------------------------------------------------------- forecasts
    def draw(self, answer: tuple[FamilyHindsight, Drawn]) -> None:
        found, drawn = answer
        with parts.panel(classes="headline"):
            parts.says(" ".join(words.verdict_in_words(found)), "lead")
            _key_figures(found)
            parts.says(
                f"What was known up to {found.cut_off.isoformat()} forecast the {words.span_in_words(found.hold_out)} "
                f"to {found.end.isoformat()}; {found.seen:,} of {found.vehicles:,} vehicles were seen in them.",
                "small",
            )
        with parts.panel("Weak point by weak point, furthest off first"):
            _modes(found)
            parts.says(words.off_by_chance(found), "small")
        with parts.panel("Were the intervals right?"):
            parts.blocks(words.coverage_table(found))
            parts.blocks(drawn["pit"])
        with parts.panel("Better than guessing?"):
            parts.says(words.against_naive(found))
            with folded("Scores, piece by piece"):
                parts.blocks(words.scores_table(found))
            with folded("What is counted"):
                parts.blocks(Bullets(tuple(words.counts(found, self.units))))
                parts.says(words.SMALL, "small")

    # -------------------------------------------------------------------------------------------------------- traces
    def _traced(self, bench: Workbench) -> tuple[TraceCalibration, Drawn]:
        found = bench.calibration()
        return found, figures(calibration_drawings(found))

    def draw_traces(self, answer: tuple[TraceCalibration, Drawn]) -> None:
        found, drawn = answer
        if (compared := found.calibration) is None:
            parts.says(_nothing_yet(found))
            return
        parts.says(f"{traced.fullest_in_words(compared)} {traced.verdict_in_words(compared)}", "lead")
        parts.blocks(*drawn.values())
        with folded("In figures, and what is counted"):
            parts.blocks(
                *traced.compared_figures(found, compared, self.units),
                Bullets(tuple(traced.counts(found, self.units))),
            )


def _nothing_yet(found: TraceCalibration) -> str:
    if not found.predictions:
        return (
            "No trace has been kept yet, so there is nothing to compare. Keep traces on a vehicle's page, and say "
            "after the work what was found."
        )
    return (
        f"{found.predictions:,} chances of {found.traces:,} traces are kept, and none has been found out yet. After "
        "the work, say on the vehicle's trace page what was found."
    )


# ----------------------------------------------------------------------------------------------------------- the parts
def _key_figures(found: FamilyHindsight) -> None:
    whole, half, most = found.verdict.sum, found.verdict.half, found.verdict.most
    brier = found.pieces.brier
    pairs = [
        ("Failures forecast", f"{whole.expected:,.0f}", f"{whole.most[0]:,} to {whole.most[1]:,} (90 %)"),
        ("Failures that happened", f"{whole.happened:,}", f"in {len(found.modes)} weak points"),
        *(
            (
                f"Within their {show_share(one.level)} interval",
                f"{one.whole} of {one.of}",
                f"right forecasts would make it {one.whole_expected:.0f}",
            )
            for one in (most, half)
        ),
    ]
    if brier is not None:
        ends = f"{brier.low:.4f} to {brier.high:.4f}; 0 is best"
        pairs.append(("Brier score, piece by piece", f"{brier.value:.4f}", ends))
    parts.key_figures(pairs)


def _modes(found: FamilyHindsight) -> None:
    most = max(max(row.tally.most[1], row.tally.happened) for row in found.modes)
    with tag("p", classes="legend"):
        for kind, text in (("wide", "9 in 10"), ("half", "half"), ("dot", "what happened")):
            with tag("span"):
                tag("i", classes=f"key {kind}", aria_hidden="true")
                tag("span", text)
        tag("span", "wider apart for few failures than for many")
    with tag("ol", classes="held"):
        for row in found.modes:
            _mode(row, most)


def _mode(row: ModeHindsight, most: int) -> None:
    told = row.tally
    off = told.happened - told.expected
    with tag("li", classes="" if told.within else "outside"):
        with tag("p", classes="name"):
            parts.link(row.name, f"/weak-points/{quote(row.mode, safe='')}")
            if row.beyond_chance:
                tag("b", "beyond chance", classes="flag")
            elif not told.within:
                tag("span", "outside", classes="tag")
        with tag("div", classes="counts", aria_hidden="true"):
            for kind, (low, high) in (("wide", told.most), ("half", told.half)):
                left, right = _at(low, most), _at(high, most)
                tag("i", classes=kind, style=f"left: {left:.1f}%; width: {right - left:.1f}%")
            tag("b", style=f"left: {_at(told.happened, most):.1f}%")
        tag(
            "p",
            f"{words.number_of(told.expected)} forecast ({told.most[0]:,} to {told.most[1]:,}), "
            f"{told.happened:,} happened",
            classes="said",
        )
        side = "more" if off > 0 else "fewer"
        looks = "looks" if row.noticed == "hidden" else "pieces"
        tag(
            "p",
            f"{words.number_of(abs(off))} {side} than forecast; chance of being so far off {chance_told(told.off)}; "
            f"{row.pieces:,} {looks} at risk",
            classes="beside",
        )


def _at(count: float, most: int) -> float:
    """Place on a scale that gives few failures room."""
    return 100 * sqrt(count / most) if most else 0.0
