"""A person's own words find the observations of the book."""

from wearlore.book.model import Book
from wearlore.trace import meant, near

BOOK = Book.model_validate(
    {
        "wearlore": 1,
        "family": {"id": "small", "name": "Small engine"},
        "economics": {"labour_rate": 60},
        "variants": {"one": {"name": "One"}},
        "zones": {"sump": {"name": "Sump and underside"}},
        "components": {"gasket": {"name": "Gasket", "system": "engine", "zone": "sump"}},
        "modes": {
            "leak": {
                "name": "Gasket leaks",
                "component": "gasket",
                "noticed": "hidden",
                "consequence": {"severity": "nuisance"},
            }
        },
        "observations": {
            "oil-low": {"name": "Wet flange", "kind": "wet", "zone": "sump", "fluid": "oil"},
            "code-timing": {"name": "Timing over-advanced", "kind": "code", "code": "P0011"},
            "rattle": {"name": "Rattle", "kind": "noise", "circumstance": "cold start"},
        },
    }
)


def test_every_word_must_begin_one_of_name_zone_fluid_code_or_circumstance() -> None:
    assert meant(BOOK, "under oil") == ("oil-low",)
    assert meant(BOOK, "p0011") == ("code-timing",)
    assert meant(BOOK, "RATT cold") == ("rattle",)
    assert meant(BOOK, "oil cold") == ()
    assert meant(BOOK, "  ") == ()


def test_words_near_to_what_was_mistyped_are_offered() -> None:
    assert near(BOOK, "ratle") == ("rattle",)
