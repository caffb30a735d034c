"""Tables in plain text: what gives way when there is no room."""

from datetime import date

import pytest

from wearlore.report.plain import to_text
from wearlore.report.sheet import Column, Sheet, Table

TABLE = Table(
    (Column("Unit"), Column("Remedy", wide=True), Column("Left over", "right", spare=True), Column("Margin", "right")),
    (("Has failed",), ("timing-chain", "chain-kit (original)", "2,927", "settled"), ("clutch", "kit", "1,011", "620")),
)


def shown(width):
    return to_text(Sheet("Kind", "title", date(2026, 1, 1), (), (TABLE,)), width)


def test_with_room_every_column_is_there():
    assert "Left over" in shown(90)


def test_without_room_spare_columns_go_and_the_rest_stays_whole():
    text = shown(48)
    assert "Left over" not in text
    assert "2,927" not in text
    for cell in ("timing-chain", "chain-kit (original)", "settled", "620", "Has failed"):
        assert cell in text


@pytest.mark.parametrize("width", range(30, 100, 7))
def test_no_line_is_wider_than_the_paper(width):
    assert max(map(len, shown(width).splitlines())) <= width


def test_no_word_is_broken_while_the_words_fit():
    columns = (Column("Remedy", wide=True), Column("Component"), Column("Part grade"))
    table = Table(columns, (("Chain kit with guides and sprocket " * 3, "Timing chain with its guides", "equivalent"),))
    text = to_text(Sheet("Kind", "title", date(2026, 1, 1), (), (table,)), 50)
    assert {"sprocket", "equivalent", "Timing"} <= set(text.split())
