"""A traced fault as a page and as a chart: what must not wait first, chances with their intervals, then what to do."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date

import pytest

from tests.trace.family import BOOK, case, means
from wearlore.answers import Argument, Withheld
from wearlore.errors import TraceError
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.report.calibration import percent
from wearlore.report.charts import save, to_svg, trace_drawings
from wearlore.report.json import to_json
from wearlore.report.page import to_html
from wearlore.report.plain import to_text
from wearlore.report.sheet import Callout, Figure, Heading, Paragraph, Table
from wearlore.report.trace import (
    acting_in_words,
    found_command,
    listed,
    scope_command,
    show_chance,
    traced_fault,
    why_act,
)
from wearlore.trace import Acting, Step, told
from wearlore.units import Units
from wearlore.workbench.tracing import Tracing

MADE_ON = date(2026, 11, 25)
EVIDENCE = Evidence(exact=7, good=33)


@pytest.fixture(scope="module")
def tracing():
    one = case()
    return Tracing(one, means(one), 10_000.0, False, dict.fromkeys(BOOK.modes, EVIDENCE))


@pytest.fixture(scope="module")
def traced(tracing):
    return lambda **said: tracing.answer(told(BOOK, **said))


def sheet(answer, units=BOOK.units, **options):
    return traced_fault(answer, BOOK, units, MADE_ON, **options)


def words(answer, width=118, **options):
    return " ".join(to_text(sheet(answer, **options), width).split())


def places(text, *parts):
    found = [text.index(part) for part in parts]
    return found == sorted(found)


def table(answer, heading):
    blocks = sheet(answer).blocks
    at = next(i for i, block in enumerate(blocks) if isinstance(block, Heading) and block.text == heading)
    return next(block for block in blocks[at:] if isinstance(block, Table))


class TestOrder:
    def test_a_rule_that_holds_comes_before_anything_else_in_every_format(self, traced) -> None:
        answer = traced(saw=["lamp", "knock"])
        page = sheet(answer)
        assert isinstance(page.blocks[0], Callout)
        assert page.blocks[0].signal == "DANGER"
        assert not any("%" in value for _, value in page.facts)
        for text in (to_text(page), re.sub("<style>.*?</style>", "", to_html([page]), flags=re.DOTALL)):
            assert 0 < text.index("DANGER") < text.index("Stop. (Seen: Oil lamp.)") < text.index("%")

    def test_told_chances_next_reasons_and_where_to_go_on(self, traced) -> None:
        text = words(traced(saw=["oil-back"]))
        assert places(
            text, "WHAT IS TOLD", "oil at back: there", "MOST LIKELY", "None of these", "WHAT SPEAKS FOR WHAT",
            "GO ON WITH", "wearlore scope v", "wearlore found v", "Where the maker's procedure says otherwise",
        )  # fmt: skip

    def test_looks_that_a_rule_bars_are_named_with_the_rule(self, traced) -> None:
        answer = traced(saw=["lamp"])
        assert "Not to be looked at now • Not while this holds: No oil pressure: Gauge" in words(answer)
        more = replace(answer, withheld=(*answer.withheld, Withheld("x", "Other", answer.withheld[0].why)))
        assert "No oil pressure: Gauge; Other" in words(more)


class TestSuspects:
    def test_each_has_its_chance_interval_prior_age_and_last_look(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        first, row = answer.suspects[0], table(answer, "Most likely").rows[0]
        assert row[0].splitlines()[1] == first.cause
        assert row[1] == show_chance(first.chance.value)
        assert row[2] == f"({percent(first.chance.low)} to {percent(first.chance.high)})"
        assert row[3:] == (show_chance(first.prior.value), "120,000 km", f"{first.unseen:,.0f} km ago")
        assert table(answer, "Most likely").rows[-1][:2] == ("None of these", show_chance(answer.unexplained))

    def test_those_not_in_question_are_named_apart(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        asked = {suspect.cause for suspect in answer.asked}
        assert {row[0].splitlines()[-1] for row in table(answer, "Most likely").rows[:-1]} <= asked
        assert "May be there too, but not behind this:" in words(answer)

    def test_what_stands_open_on_record_has_a_column_of_its_own(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        known = replace(answer, suspects=(replace(answer.suspects[0], open=True), *answer.suspects[1:]))
        assert "found, not cured" not in words(answer)
        assert table(known, "Most likely").rows[0][-1] == "found, not cured"

    def test_causes_together_are_told_only_where_more_than_one_matters(self, traced) -> None:
        both = words(traced(saw=["oil-back", "knock"]))
        assert "ALONE OR TOGETHER" in both
        assert re.search(r"\w and \w", both[both.index("ALONE OR TOGETHER") :])
        assert "ALONE OR TOGETHER" not in words(traced(saw=["water-top"], dry=["sump"]))

    @pytest.mark.parametrize(
        ("chance", "said"),
        [(0.0, "0 %"), (0.004, "under 1 %"), (0.0142, "1.4 %"), (0.42, "42 %"), (0.996, "over 99 %"), (1.0, "100 %")],
    )
    def test_chances_have_sensible_digits(self, chance, said) -> None:
        assert show_chance(chance) == said


class TestWithoutComplaint:
    def test_with_nothing_told_it_lists_what_can_be_told_and_what_age_alone_makes_likely(self, traced) -> None:
        text = words(traced())
        assert places(
            text, "Nothing is told yet", "Wet (--saw, --absent, --dry): oil-top", "Readings (--read NAME=VALUE)",
            "MOST LIKELY BY AGE ALONE",
        )  # fmt: skip
        assert "None of these 1" not in text
        assert "GO ON WITH" not in text

    def test_with_all_absent_no_cause_is_in_question(self, traced) -> None:
        text = words(traced(absent=["knock", "lamp"], dry=["top", "back", "sump"]))
        assert "Nothing of what is told asks for a cause." in text
        assert "oil at top: not there" in text
        assert "ACT NOW" not in text
        assert "None of these 100 %" not in text


class TestActing:
    def answer(self, traced, steps, beside=(), **changed):
        answer = traced(saw=["oil-back"])
        return replace(answer, next=None, acting=Acting(480.0, steps, beside), **changed)

    def test_steps_are_told_in_words_with_their_money(self, traced) -> None:
        names = list(traced(saw=["oil-back"]).repairs)[:3]
        one, two, three = ((name, *traced(saw=["oil-back"]).repairs[name]) for name in names)
        steps = (Step((), True), Step((one[0], two[0]), True), Step((three[0],), False))
        said = acting_in_words(self.answer(traced, steps), BOOK.units)
        assert said == (
            "Check first whether the complaint is there at all; if not, stop.",
            f"If it is still there, repair: {one[1]} (EUR {one[2]:,.0f}) and {two[1]} (EUR {two[2]:,.0f}), then check "
            "whether the complaint is gone.",
            f"If it is still there, repair: {three[1]} (EUR {three[2]:,.0f}).",
        )

    def test_nothing_worth_repairing_is_left(self, traced) -> None:
        text = words(self.answer(traced, (), looks=()))
        assert "LEAVE IT, LOOK NO FURTHER" in text
        assert "Repair nothing: by these chances no repair is worth its money." in text
        assert "Leaving it is expected to cost EUR 480" in text
        assert "Nothing is left that can be looked at now" in text

    def test_the_best_look_left_is_held_against_acting(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        dear = replace(answer.looks[0], name="Dear look", saving=30.0, cost=80.0)
        dearer = replace(dear, name="Dearer look", saving=40.0, cost=180.0)
        step = (Step((next(iter(answer.repairs)),), False),)
        said = why_act(self.answer(traced, step, looks=(dearer, dear)), BOOK.units)
        assert said == (
            "This is expected to cost EUR 480, with what may come of it later. Looking is dearer: the best look left, "
            "Dear look, would save EUR 30 and cost EUR 80."
        )

    def test_a_rule_outranks_acting(self, traced) -> None:
        stops = traced(saw=["lamp"]).stops
        assert "What the box above says comes before this." in words(self.answer(traced, (), stops=stops))

    def test_the_next_look_says_what_comes_first_its_dangers_and_why_it_pays(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        look = replace(
            answer.looks[0], name="Good look", minutes=12.0, access_minutes=27.0, saving=54.0, cost=14.0,
            shows=("a", "b", "c"), counted=("a", "b"), opens=("Take it off",),
            cautions=(("CAUTION", "Hot."), ("WARNING", "Keep clear.")),
        )  # fmt: skip
        one, two, *_ = answer.repairs
        acting = Acting(480.0, (Step((one,), True), Step((two,), False)), ())
        text = words(replace(answer, next=look, looks=(look,), acting=acting))
        assert places(
            text, "LOOK NEXT", "[ WARNING ]", "Keep clear.", "[ CAUTION ]", "Good look: 12 min and 27 to lay it open.",
            "First: Take it off (27 min", "Look for: a; b; and 1 more.", "Expected to save EUR 54 for EUR 14",
            "Acting now, without it, is expected to cost EUR 480. Repair: ", "1 further step may follow.",
        )  # fmt: skip


class TestReasons:
    def test_each_thing_told_has_the_odds_it_moves(self, traced) -> None:
        answer = traced(saw=["oil-back"], absent=["oil-top"])
        rows = table(answer, "What speaks for what").rows
        assert rows[0][0] == "oil at back: there"
        assert re.search(r"×\d", rows[0][1])
        assert re.search(r"÷\d", rows[1][2])

    def test_proven_and_ruled_out(self, traced) -> None:
        *_, there = table(traced(saw=["knock"], found=["mount-torn"]), "What speaks for what").rows
        *_, good = table(traced(saw=["knock"], good=["mount-torn"]), "What speaks for what").rows
        name = BOOK.modes["mount-torn"].name
        assert f"{name} proven" in there[1]
        assert f"{name} ruled out" in good[2]

    def test_evidence_is_shown_where_it_is_asked_for(self, traced) -> None:
        answer = traced(saw=["oil-back"])
        assert "WHAT IT RESTS ON" not in words(answer)
        text = words(answer, evidence=True)
        assert places(text, "WHAT IT RESTS ON", "Failures", " 7 40 ", "CHANCES THAT THE BOOK STATES".title()[:7])
        assert "80 %, none of these 1.0 %; beside that, what runs down from the zones above" in text


class TestGoingOn:
    def test_confirmed_as_faults_others_with_their_chances(self, traced) -> None:
        answer = traced(saw=["knock", "oil-back"], found=["mount-torn"])
        command = scope_command(answer, BOOK, "my shop")
        assert command.startswith("wearlore scope v ")
        assert "--fault mount-torn" in command
        assert re.search(r"--probable seal-leaks=0\.\d+", command)
        assert command.endswith("--odometer 120000 --in 'my shop'")
        first, *others = answer.asked
        unlikely = replace(answer, suspects=(replace(first, chance=Estimate(0.04, 0.01, 0.1)), *others))
        assert first.cause not in scope_command(replace(unlikely, told=()), BOOK)
        certain = replace(answer, suspects=(replace(first, chance=Estimate(0.997, 0.99, 1.0)), *others))
        assert f"--fault {first.cause} " in scope_command(replace(certain, told=()), BOOK)

    def test_what_was_opened_is_filled_in_for_the_records(self, traced) -> None:
        answer = traced(saw=["knock"], found=["mount-torn"], good=["clutch-worn"])
        assert found_command(answer, BOOK) == (
            "wearlore found v --confirmed mount-torn --refuted clutch-worn --odometer 120000"
        )
        supposed = replace(traced(saw=["knock"]), supposed=True)
        assert found_command(supposed, BOOK, ".") == "wearlore found v --confirmed MODE --refuted MODE --odometer N"
        assert "--odometer" not in scope_command(supposed, BOOK)


def test_distances_come_in_the_units_shown(traced):
    text = words(traced(saw=["oil-back"]), units=Units("miles", "lbf·ft", "USD"))
    assert "74,565 miles" in text
    assert "USD" in text
    assert " km" not in text


def test_a_supposed_odometer_is_called_so(traced):
    answer = traced(saw=["oil-back"])
    assert "supposed" not in words(answer)
    assert "120,000 km (supposed; say it with --odometer)" in words(replace(answer, supposed=True))


def test_many_absent_codes_are_told_as_one(traced):
    answer = traced(saw=["oil-back"])
    book = BOOK.model_copy(
        update={
            "observations": BOOK.observations
            | {f"code-{i}": BOOK.observations["knock"].model_copy(update={"kind": "code"}) for i in range(5)}
        }
    )
    said = told(book, absent=[f"code-{i}" for i in range(5)])
    many = replace(
        answer,
        told=(*answer.told, *said),
        said=(*answer.said, *("x" for _ in said)),
        arguments=(*answer.arguments, *(Argument("x", {}) for _ in said)),
    )
    text = " ".join(to_text(traced_fault(many, book, book.units, MADE_ON)).split())
    assert "oil at back: there • 5 other trouble codes of the book: not there" in text
    assert "Of little weight here: 5 things told, 5 of them codes that are not there." in text


@pytest.mark.parametrize("width", [80, 118])
def test_no_line_is_wider_than_asked(traced, width):
    answer = traced(saw=["oil-back", "knock", "lamp"], readings=["pressure=0.6"])
    assert max(map(len, to_text(sheet(answer, evidence=True), width).splitlines())) <= width


def test_contradictions_name_both_sides(traced):
    with pytest.raises(TraceError, match="Knock: there; and: Knock: not there"):
        traced(saw=["knock"], absent=["knock"])


class TestChart:
    def test_likeliest_on_top_with_none_of_these_last(self, traced) -> None:
        answer = traced(saw=["oil-back", "knock"])
        (drawing,) = trace_drawings(answer)
        svg = to_svg(drawing.chart)
        assert "prefers-color-scheme:dark" in svg
        names = [suspect.name for suspect in listed(answer)]
        assert places(svg, *dict.fromkeys(names), "None of these")
        page = sheet(answer, figures={"suspects": Figure(svg, drawing.text)})
        at = [type(block).__name__ for block in page.blocks]
        assert at.index("Table") < at.index("Figure")

    @pytest.mark.parametrize("look", ["light", "dark"])
    def test_is_drawn_for_light_and_dark(self, traced, tmp_path, look) -> None:
        (drawing,) = trace_drawings(traced(saw=["oil-back"]))
        save(drawing.chart, tmp_path / "c.png", drawing.text, look)
        assert (tmp_path / "c.png").stat().st_size > 10_000

    def test_by_age_alone_there_is_no_none_of_these(self, traced) -> None:
        (drawing,) = trace_drawings(traced())
        assert "None of these" not in to_svg(drawing.chart)

    def test_nothing_to_suspect_is_nothing_to_draw(self, traced) -> None:
        assert trace_drawings(replace(traced(), suspects=())) == ()


def test_json_holds_the_whole_answer(traced):
    answer = traced(saw=["oil-back"], found=["mount-torn"])
    back = json.loads(to_json(answer))
    assert [one["cause"] for one in back["suspects"]] == [suspect.cause for suspect in answer.suspects]
    assert back["unexplained"] == answer.unexplained
    assert back["arguments"][1]["factors"]["unbounded"] == ["mount-torn"]
    assert back["arguments"][0]["factors"]["seal-leaks"] == answer.arguments[0].factors["seal-leaks"]


def test_a_lead_says_that_nothing_is_told(traced):
    leads = [block.text for block in sheet(traced()).blocks if isinstance(block, Paragraph) and block.style == "lead"]
    assert leads == ["Nothing is told yet: this is what may be wrong by age, history and last look alone."]
