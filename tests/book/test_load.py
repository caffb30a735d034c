from __future__ import annotations

import os
import pickle
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from wearlore.book import load
from wearlore.errors import BookErrors

KM_PER_MILE = 1.609344  # international mile, exact
NEWTON_METRE_PER_LBF_FT = 1.3558179483314004  # check 7.07


@pytest.fixture
def refused(tmp_path: Path) -> Callable[[str | bytes], tuple]:
    """The errors with which a text is refused, each as (line, path, expected, mend)."""

    def errors(text: str | bytes) -> tuple:
        path = tmp_path / "book.yaml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        with pytest.raises(BookErrors) as raised:
            load.load(path)
        assert all(error.args[0] == str(path) for error in raised.value.errors)
        return tuple(error.args[1:] for error in raised.value.errors)

    return errors


def line_of(text: str, words: str) -> int:
    (line,) = (number for number, content in enumerate(text.splitlines(), 1) if words in content)
    return line


# --- what is right -------------------------------------------------------------------------------------------------


def test_a_book_in_miles_and_pounds_is_the_same_book_in_km_and_newton_metres(book_file):
    metric = load.load(book_file({}))
    american, source = load.read(book_file({"distance: km ": "distance: miles ", "torque: N·m ": "torque: lbf·ft "}))
    for id_, mode in metric.modes.items():
        for ours, theirs in zip(mode.belief.quantiles, american.modes[id_].belief.quantiles, strict=True):
            assert theirs.at == pytest.approx(ours.at * KM_PER_MILE, rel=1e-15)
            assert theirs.between == pytest.approx([km * KM_PER_MILE for km in ours.between], rel=1e-15)
    assert american.economics.per_year == pytest.approx(15_000 * KM_PER_MILE)
    (stage,) = american.operations["belt-off"].fasteners[1].torque.stages
    assert stage == pytest.approx(21 * NEWTON_METRE_PER_LBF_FT, rel=1e-15)
    assert american.units.distance == "miles"
    assert source.at(("family", "units", "torque")).line > source.at(("family",)).line


def test_units_are_read_first_wherever_they_stand(book_file):
    family = re.search(r"family:\n(?:  .*\n)+", load.starter())[0]
    text = load.starter().replace(family, "") + family.replace("distance: km ", "distance: miles ")
    path = book_file({})
    path.write_text(text, encoding="utf-8")
    assert load.load(path).economics.per_year == pytest.approx(15_000 * KM_PER_MILE)


def test_no_is_a_word_and_a_date_is_a_date(book_file):
    book = load.load(book_file({"maker: Corvane ": "maker: no ", "owned: true": "owned: yes"}))
    assert book.family.maker == "no"
    assert book.tools["cam-lock"].owned is True
    assert book.variants["turbo"].built_from == date(2012, 3, 1)


def test_a_name_may_look_like_a_number(book_file):
    revisions = {"      A: {note": "      1: {note", "      B:\n": "      02:\n", "supersedes: A": "supersedes: '1'"}
    offers = {"revision: B": "revision: '02'", "revision: A": "revision: '1'"}
    assert list(load.load(book_file(revisions | offers)).components["water-pump"].revisions) == ["1", "02"]


def test_an_accent_may_be_written_as_one_character_or_two(book_file):
    """Some systems write letter and accent apart; records of the same name must still find it."""
    book = load.load(book_file({"maker: Corvane ": "maker: Cafe\u0301 "}))
    assert book.family.maker == "Caf\u00e9"


def test_of_revisions_with_no_dates_the_newest_is_fitted(book_file):
    """The names say nothing of the order, what supersedes what does."""
    undated = {"      B:\n": "      0:\n", "        from_date: 2014-06-01     # fitted": "        # fitted"}
    pump = load.load(book_file(undated | {"revision: B": "revision: '0'"})).components["water-pump"]
    assert pump.revisions["0"].supersedes == "A"
    assert pump.revision_at(date(2020, 1, 1)) == "0"


def test_a_file_of_a_folder_may_end_in_capitals(book_file, tmp_path):
    folder = tmp_path / "book"
    folder.mkdir()
    (folder / "ENGINE.YAML").write_text(load.starter(), encoding="utf-8")
    assert load.load(folder) == load.load(book_file({}))


def test_a_folder_is_joined_section_by_section(book_file, tmp_path):
    whole = load.load(book_file({}))
    text = load.starter()
    cut, middle = text.index("\nmodes:"), text.index("  front-seal-leak:\n    name")
    end = text.index("\nobservations:")
    folder = tmp_path / "book"
    folder.mkdir()
    (folder / "10-engine.yaml").write_text(text[:cut] + text[end:], encoding="utf-8")
    (folder / "20-modes.yaml").write_text("wearlore: 1\n" + text[cut:middle], encoding="utf-8")
    (folder / "30-modes.yml").write_text("modes:\n" + text[middle:end], encoding="utf-8")
    (folder / "notes.txt").write_text("modes: [", encoding="utf-8")
    book, source = load.read(folder)
    assert book.modes == whole.modes
    assert book == whole.model_copy(update={"modes": book.modes})
    place = source.at(("modes", "front-seal-leak", "belief"))
    assert place.file == str(folder / "30-modes.yml")
    assert "belief:" in Path(place.file).read_text(encoding="utf-8").splitlines()[place.line - 1]


# --- what is wrong -------------------------------------------------------------------------------------------------


def test_all_errors_come_at_once_each_with_its_line_and_how_to_mend_it(refused):
    text = load.starter()
    for old, new in {
        "labour_rate: 85": "labor_rate: 85",
        "hours: 0.9": "hours: 0,9",
        "price: 9.8,": "price: 9.80 EUR,",
        "severity: degraded, cost: 80": "severity: bad, cost: -80",
        "size: M14x1.5": "size: M14 x 1.5",
        "  belt-off:\n": "  Belt Off:\n",
        "number: CV-1301": "number: 1301",
        "cures: [front-seal-leak]": "cures: front-seal-leak",
        "built_from: 2012-03-01": "built_from: 2012-02-30",
        "between: [60000, 105000]": "between: [60000]",
        "share: 0.05": "share: .nan",
        "visit_fixed: 60 ": "visit_fixed: 10,000 ",
        'property_class: "8.8"\n        torque: {stages: [21]}': 'property_class: "8.9"\n        torque: {}',
    }.items():
        assert old in text
        text = text.replace(old, new)
    # path -> words of the line, of what was expected, of how to mend it
    told = {
        "economics.labour_rate": ("economics:", "'labour_rate:' here", "Add the line."),
        "economics.labor_rate": ("labor_rate", "a name known here", "Did you mean 'labour_rate'?"),
        "economics.visit_fixed": ("10,000", "a number, not '10,000'", "Write 10000"),
        "variants.turbo.built_from": ("2012-02-30", "a date such as 2019-05-31", ""),
        "modes.water-pump-seep.belief.quantiles[0].between[1]": ("[60000]", "2 values", "Add the value"),
        "modes.front-seal-leak.consequence.severity": ("bad", "'engine-damage' or 'injury', not 'bad'", ""),
        "modes.front-seal-leak.consequence.cost": ("-80", "at least 0, not '-80'", ""),
        "modes.timing-belt-breaks.belief.quantiles[0].share": (".nan", "a finite number", ""),
        "operations.Belt Off": ("Belt Off", "an id, not 'Belt Off'", "for example belt-off"),
        "operations.Belt Off.hours": ("0,9", "a number, not '0,9'", "Write 0.9"),
        "operations.Belt Off.fasteners[0].size": ("M14 x 1.5", "a size such as", "small x"),
        "operations.Belt Off.fasteners[1].property_class": ("8.9", "'10.9' or '12.9', not '8.9'", ""),
        "operations.Belt Off.fasteners[1].torque.stages": ("torque: {}", "'stages:' here", ""),
        "remedies.renew-front-seal.cures": ("cures: front-seal-leak", "a list", "square brackets"),
        "parts.belt.offers[0].number": ("1301", "text, not '1301'", "in quotes"),
        "consumables.engine-oil.price": ("9.80 EUR", "a number", "Write the number alone: 9.80 "),
    }
    errors = refused(text)
    assert {path for _, path, _, _ in errors} == set(told)
    assert [line for line, *_ in errors] == sorted(line for line, *_ in errors)
    lines = text.splitlines()
    for line, path, expected, mend in errors:
        words, expectation, mending = told[path]
        assert words in lines[line - 1], path
        assert expectation in expected, path
        assert mending in mend, path


def test_wrong_units_are_told_with_the_rest(refused):
    text = load.starter().replace("torque: N·m ", "torque: Nm ").replace("tax: 0.2", "tax: 2")
    assert [path for _, path, _, _ in refused(text)] == ["family.units.torque", "economics.tax"]


@pytest.mark.parametrize(
    ("text", "line", "expected", "mend"),
    [
        ("", 1, "a book, not an empty file", "wearlore book new"),
        ("# nothing but remarks\n", 1, "a book, not an empty file", "wearlore book new"),
        ("just words", 1, "sections such as", "wearlore book new"),
        ("- a\n- b\n", 1, "sections such as", "wearlore book new"),
        ("wearlore: 1\nfamily:\n\tid: a\n", 3, "spaces at the start of a line, not tabs", "two spaces"),
        ("wearlore: 1\nfamily: {id: a\n", 3, "text that YAML can read", "bracket"),
        ("family: a: b\n", 1, "one 'name: value' on a line", "quotes"),
        ("a: 1\nfamily: *unknown\n", 2, "undefined alias", "quotes"),
        ("a: 1\n---\nb: 2\n", 2, "one book in a file", "---"),
        (b"family:\n  name: caf\xe9\n", 2, "text in UTF-8", "UTF-8"),
        (b"wearlore: 1\n\x00\x01\x02", 2, "control characters", "another kind of file"),
        (bytes(range(256)), 2, "text in UTF-8", ""),
        ("a: &a\n- *a\n", 1, "no alias (*) to something it is itself a part of", ""),
        ("a: " + "[" * 5_000, 1, "at most 12 levels", "brackets"),
        ("%YAML 1.3\n---\na: 1\n", 1, "a book in YAML", "cannot be read"),
        ('a: "\\UFFFFFFFF"\n', 1, "a book in YAML", "cannot be read"),
        ("a:\n  b: " + "{a: " * 20 + "1" + "}" * 20, 2, "at most 12 levels", ""),
    ],
)  # fmt: skip
def test_a_text_that_is_no_book_is_one_error(refused, text, line, expected, mend):
    (error,) = refused(text)
    assert error[1] == "(book)" or error[1].startswith("a")
    assert (error[0], expected in error[2], mend in error[3]) == (line, True, True), error


def test_a_small_file_cannot_unfold_into_a_large_book(refused):
    text = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n"
    for n in range(1, 9):
        text += f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n"
    (error,) = refused(text)
    assert error[2] == "at most 500,000 values"


READING = "turn over as usual, kind: reading, unit: bar, "


@pytest.mark.parametrize(
    ("old", "new", "path", "expected"),
    [
        ("runs_to: {belt-side: 0.6}", "runs_to: [belt-side]", "zones.head-front.runs_to",
         "each zone below with the chance that fluid from here wets it: {sump: 0.6}"),
        ("runs_to: {belt-side: 0.6}", "runs_to: {belt-side: 0}", "zones.head-front.runs_to.belt-side", "above 0"),
        ("runs_to: {belt-side: 0.6}", "runs_to: {belt-side: 1.1}", "zones.head-front.runs_to.belt-side", "at most 1"),
        ("when: [stops-on-the-road]", "when: []", "rules.no-turning.when", "a list with at least 1 in it"),
        ("    signal: DANGER  ", "    signal: STOP  ", "rules.no-turning.signal", "'CAUTION' or 'NOTICE', not 'STOP'"),
        ("turn over as usual, kind: behaviour", READING + "sound: [1, 2]", "observations.stops-on-the-road",
         "'sound' and 'faulty' together, or neither"),
        ("turn over as usual, kind: behaviour", READING + "faulty: [1, 2]", "observations.stops-on-the-road",
         "'sound' and 'faulty' together, or neither"),
        ("turn over as usual, kind: behaviour", READING + "sound: [2, 2], faulty: [3, 4]",
         "observations.stops-on-the-road", "'sound' as [low, high], low below high"),
        ("turn over as usual, kind: behaviour", READING + "sound: [1, 2], faulty: [4, 3]",
         "observations.stops-on-the-road", "'faulty' as [low, high], low below high"),
        ("turn over as usual, kind: behaviour", "turn over as usual, kind: noise, sound: [1, 2], faulty: [3, 4]",
         "observations.stops-on-the-road", "kind 'reading' has 'sound', not one of kind 'noise'"),
        ("feed-pipe-leak: {sensitivity: 0.7, specificity: 0.97}", "feed-pipe-leak: {sensitivity: 0.7}",
         "inspections.look-at-head-front.tells.feed-pipe-leak.specificity", "'specificity:' here"),
    ],
)  # fmt: skip
def test_what_a_trace_needs_has_its_shape(refused, old, new, path, expected):
    assert old in load.starter()
    (error,) = refused(load.starter().replace(old, new))
    assert error[1] == path
    assert expected in error[2]


@pytest.mark.parametrize(
    ("old", "new", "path", "expected"),
    [
        ("lead: {at: 15000, between: [5000, 45000]}", "lead: {at: 50000, between: [5000, 45000]}",
         "modes.water-pump-seep.lead", "'between' as [low, high], with 'at' in between"),
        ("lead: {at: 15000, between: [5000, 45000]}", "lead: {at: 0, between: [5000, 45000]}",
         "modes.water-pump-seep.lead.at", "a number above 0"),
        ("spread: 0.25 ", "spread: 25 ", "economics.spread", "at most 2"),
        ("service_every: 15000 ", "service_every: 0 ", "economics.service_every", "a number above 0"),
    ],
)  # fmt: skip
def test_what_a_plan_needs_has_its_shape(refused, old, new, path, expected):
    assert old in load.starter()
    (error,) = refused(load.starter().replace(old, new))
    assert error[1] == path
    assert expected in error[2]


def test_a_section_with_nothing_in_it(refused):
    text = load.starter()
    text = text[: text.index("\nmodes:")] + "\nmodes: {}\n" + text[text.index("\nobservations:") :]
    assert (line_of(text, "modes: {}"), "modes", "at least 1 name here", "") in refused(text)


def test_a_name_written_twice_names_both_lines(refused):
    text = load.starter().replace("  belt-renew:\n", "  belt-off:\n").replace("[belt-renew]", "[belt-off]")
    (error,) = refused(text)
    first, second = (n for n, line in enumerate(text.splitlines(), 1) if line == "  belt-off:")
    assert error[:2] == (second, "operations.belt-off")
    assert f"line {first})" in error[2]


@pytest.mark.parametrize("tagged", ["!!python/object/apply:os.system [id]", "!mine 3", "!!set {a, b}", "!!binary aGk="])
def test_tags_are_refused_and_nothing_is_run(refused, tagged):
    errors = refused(load.starter().replace("description: Four", f"description: {tagged} # Four"))
    assert "not one with the tag !" in errors[0][2]
    assert errors[0][1] == "family.description"


@pytest.mark.parametrize("number", [".inf", "-.inf", ".nan", "1e999", "'nan'", "'inf'", "'1e999'"])
@pytest.mark.parametrize("old", ["per_year: 15000", "minutes: 4", "labour_rate: 85", "lowers"])
def test_a_number_is_finite(refused, number, old):
    place = old.split(":")[0]
    text = load.starter()
    if place == "lowers":
        text = text.replace("kind: level-loss", f"kind: level-loss\n    limit: {number}")
    else:
        text = text.replace(old, f"{place}: {number}")
    (error,) = refused(text)
    assert "number" in error[2], error


def test_a_name_in_two_files_names_both_places(tmp_path):
    text = load.starter()
    (tmp_path / "a.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "b.yaml").write_text("# more\ntools:\n  cam-lock: {name: another}\n  puller: {name: puller}\n")
    with pytest.raises(BookErrors) as raised:
        load.load(tmp_path)
    (error,) = raised.value.errors
    assert error.args[:3] == (str(tmp_path / "b.yaml"), 3, "tools.cam-lock")
    assert f"{tmp_path / 'a.yaml'}:{line_of(text, '  cam-lock: {name')}" in error.args[3]


def test_files_of_a_folder_are_all_read_before_any_is_refused(tmp_path):
    (tmp_path / "a.yaml").write_text("a: [\n")
    (tmp_path / "b.yaml").write_text("\tb: 1\n")
    (tmp_path / "c.yaml").write_text("")
    with pytest.raises(BookErrors) as raised:
        load.load(tmp_path)
    assert [Path(error.args[0]).name for error in raised.value.errors] == ["a.yaml", "b.yaml", "c.yaml"]


def test_two_files_that_disagree_on_a_whole_section(tmp_path):
    (tmp_path / "a.yaml").write_text(load.starter(), encoding="utf-8")
    (tmp_path / "b.yaml").write_text("wearlore: 2\ntools: [puller]\n")
    with pytest.raises(BookErrors) as raised:
        load.load(tmp_path)
    assert [error.args[2] for error in raised.value.errors] == ["wearlore", "tools"]


@pytest.mark.parametrize("name", ["nothing.yaml", "folder", "null\0.yaml", "x" * 5_000])
def test_where_there_is_nothing_to_read(tmp_path, name):
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "readme.md").write_text("no book")
    with pytest.raises(BookErrors) as raised:
        load.load(tmp_path / name)
    (error,) = raised.value.errors
    assert error.args[1] == 0
    assert ":0:" not in str(error)


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "book.yaml"
    path.write_text(load.starter(), encoding="utf-8")

    def denied(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", denied)
    with pytest.raises(BookErrors, match="Permission denied"):
        load.load(path)


def test_a_file_larger_than_any_book_is_not_read(tmp_path):
    path = tmp_path / "book.yaml"
    with path.open("wb") as file:
        os.truncate(file.fileno(), 2**40)  # sparse: reading it would take a terabyte
    with pytest.raises(BookErrors, match="at most 20 MB"):
        load.load(path)


def test_errors_survive_a_worker_process(refused, tmp_path):
    refused("a: 1")
    with pytest.raises(BookErrors) as raised:
        load.load(tmp_path / "book.yaml")
    assert str(pickle.loads(pickle.dumps(raised.value))) == str(raised.value)
