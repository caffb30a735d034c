"""Tables in plain text keep every character within the width."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlore.report.plain import to_text
from wearlore.report.sheet import Column, Sheet, Table

CELL = st.text(st.characters(categories=("Lu", "Ll", "Nd"), max_codepoint=0x24F), max_size=40)


def shown(table, width):
    text = to_text(Sheet("Kind", "title", date(2026, 1, 2), (), (table,)), width)
    return text.split("═" * width)[-1].splitlines()


COLUMN = st.builds(Column, CELL, st.sampled_from(["left", "right"]), st.booleans())


@st.composite
def tables(draw):
    columns = draw(st.lists(COLUMN, min_size=2, max_size=6))
    whole = st.tuples(*[CELL] * len(columns))
    rows, sums = draw(st.lists(whole | st.tuples(CELL), max_size=6)), draw(st.lists(whole, max_size=2))
    return Table(tuple(columns), (*rows, *sums), totals=len(sums))


@given(tables(), st.integers(60, 130))
@settings(max_examples=150, deadline=None)
def test_no_character_is_lost_and_no_line_too_long(table, width):
    lines = shown(table, width)
    assert all(len(line) <= width for line in lines)
    wanted = "".join(column.label for column in table.columns) + "".join(cell for row in table.rows for cell in row)
    assert sorted("".join(lines).replace(" ", "").replace("─", "")) == sorted(wanted)


def test_figures_stand_under_each_other():
    table = Table((Column("Item", wide=True), Column("EUR", "right")), (("a", "1.00"), ("b", "1,000.00")), totals=1)
    rows = [line for line in shown(table, 60) if "00" in line]
    assert len({len(row) for row in rows}) == 1


def test_heading_across_does_not_widen_a_column():
    table = Table((Column("Item"), Column("What", wide=True)), (("heading " * 9,), ("a", "b")))
    (row,) = (line for line in shown(table, 80) if line.startswith("a"))
    assert row.index("b") < 10


@pytest.mark.parametrize("totals", [0, 1, 2])
def test_sums_stand_below_a_rule(totals):
    table = Table((Column("Item", wide=True), Column("EUR", "right")), (("a", "1"), ("b", "2"), ("c", "3")), totals)
    lines = shown(table, 60)
    assert sum(set(line) == {"─"} for line in lines) == 1 + bool(totals)
    if totals:
        assert set(lines[-totals - 1]) == {"─"}
